"""Which broker is there on a first day? One of our own, in this process: amqtt, MQTT 3.1.1."""

import asyncio
import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.errors import AMQTTError, BrokerError

from edge.broker import BrokerUrl
from edge.errors import CallError

log = logging.getLogger(__name__)

DEFAULT_HOST: Final = "127.0.0.1"
DEFAULT_PORT: Final = 1883
_START_S: Final = 15.0


@contextmanager
def embedded_broker(host: str = DEFAULT_HOST, port: int = DEFAULT_PORT) -> Iterator[BrokerUrl]:
    """A broker that runs while the context does; anyone who reaches the port may use it.

    port : 0 for any free one
    Raises CallError if it can't listen there.
    """
    # amqtt tells of every dropped connection and every session; what we need to know we log ourselves.
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    loop = asyncio.new_event_loop()
    started = threading.Event()
    failure: list[BaseException] = []
    broker: list[Any] = []

    async def start() -> None:
        config = BrokerConfig(
            listeners={"default": ListenerConfig(bind=f"{host}:{port}")},
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
        broker.append(Broker(config, loop))
        await broker[0].start()

    def work() -> None:
        asyncio.set_event_loop(loop)
        try:
            loop.run_until_complete(start())
        except (AMQTTError, BrokerError, OSError) as error:
            failure.append(error)
            return
        finally:
            started.set()
        loop.run_forever()
        loop.run_until_complete(broker[0].shutdown())

    thread = threading.Thread(target=work, name="embedded-broker", daemon=True)
    thread.start()
    started.wait(_START_S)
    if failure:
        cause = failure[0].__cause__ or failure[0]
        raise CallError(
            f"can't listen ({cause})",
            where=f"broker on {host}:{port}",
            do="give another --listen, or --broker mqtt://host for the one that runs already",
        )
    url = BrokerUrl(host, _port(broker[0], port))
    log.info("embedded broker listens at %s", url)
    try:
        yield url
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(timeout=_START_S)


def _port(broker: Any, asked: int) -> int:
    if asked:
        return asked
    server = broker._servers["default"].instance
    return int(server.sockets[0].getsockname()[1])
