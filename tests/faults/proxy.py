"""What can a network do to a connection? A TCP proxy on this machine that cuts, stalls and slows it."""

import socket
import threading
import time
from contextlib import suppress


class Proxy:
    """Forwards connections to a port here. `cut`, `stall` and `bytes_per_s` may change at any moment."""

    def __init__(self, to_port: int) -> None:
        self._to = to_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._lock = threading.Lock()
        self._down = False
        self.stalled = False  # accepts, and lets nothing through: what a lost route looks like
        self.bytes_per_s: float | None = None
        self.connections = 0
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def __enter__(self) -> "Proxy":
        return self

    def __exit__(self, *_: object) -> None:
        self.cut()
        self._listener.close()

    def cut(self) -> None:
        """End every connection, and take no new one."""
        self._down = True
        with self._lock:
            for each in self._open:
                with suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)
                each.close()
            self._open.clear()

    def mend(self) -> None:
        """Take connections again."""
        self._down = False

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._down:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self.connections += 1
            with self._lock:
                self._open += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._forward, args=(one, other), daemon=True).start()

    def _forward(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(4096):
                while self.stalled and not self._down:
                    time.sleep(0.02)
                if self.bytes_per_s:
                    time.sleep(len(data) / self.bytes_per_s)
                other.sendall(data)
        for each in (one, other):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
