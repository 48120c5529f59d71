"""How does a watcher see that a long-running command is well? Numbers at /metrics, a yes or no at /health.

The text format is that of Prometheus' exposition, version 0.0.4. It listens on this machine unless told
otherwise: it asks nobody who they are.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Final, NamedTuple

from edge.errors import CallError

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"


class Metric(NamedTuple):
    """One number. kind : counter or gauge; values : by labels, () for one without."""

    name: str
    kind: str
    help: str
    values: Mapping[tuple[tuple[str, str], ...], float]


def one(name: str, kind: str, text: str, value: float) -> Metric:
    """A metric without labels."""
    return Metric(name, kind, text, {(): value})


def exposition(metrics: list[Metric]) -> str:
    """The metrics as text."""
    lines = []
    for metric in metrics:
        lines += [f"# HELP {metric.name} {metric.help}", f"# TYPE {metric.name} {metric.kind}"]
        for labels, value in metric.values.items():
            told = ",".join(f'{name}="{_escaped(text)}"' for name, text in labels)
            lines.append(f"{metric.name}{{{told}}} {value:.17g}" if told else f"{metric.name} {value:.17g}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def parse_listen(text: str, option: str) -> tuple[str, int]:
    """Host and port of "host:port". Raises CallError if it is none."""
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise CallError(f"{text!r} is no host and port", where=option, do="write it as 127.0.0.1:1883")
    return host, int(port)


@contextmanager
def watched(
    listen: tuple[str, int], metrics: Callable[[], list[Metric]], trouble: Callable[[], str | None]
) -> Iterator[int]:
    """Answer while the context lasts; the port it listens on.

    trouble : why all is not well, None while it is
    Raises CallError if it can't listen there.
    """

    class Answer(BaseHTTPRequestHandler):
        server_version, sys_version = "beadbook", ""
        timeout = 5

        def do_GET(self) -> None:
            if self.path == "/metrics":
                self._say(200, exposition(metrics()))
            elif self.path == "/health":
                reason = trouble()
                self._say(200 if reason is None else 503, f"{reason or 'ok'}\n")
            else:
                self._say(404, "ask for /metrics or /health\n")

        def _say(self, status: int, text: str) -> None:
            data = text.encode()
            self.send_response(status)
            self.send_header("Content-Type", CONTENT_TYPE)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002  the library's name
            """Say nothing: a watcher asks every few seconds."""

    try:
        server = ThreadingHTTPServer(listen, Answer)
    except OSError as error:
        raise CallError(
            f"can't listen ({error.strerror})", where=f"{listen[0]}:{listen[1]}", do="give another --metrics"
        ) from None
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, name="watching", daemon=True)
    thread.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
