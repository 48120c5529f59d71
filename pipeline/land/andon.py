"""How does the shop floor see whether a pump may make units? On the broker, for a light or an interlock.

beadbook/v1/<site>/<pump>/release
    {"state": "release"|"hold", "since": ..., "reasons": [...], "told_at": ..., "valid_until": ...|null}

Retained. A release is told again and again, and is good until `valid_until` alone: whoever reads it later, or
finds it on a broker that nobody tells any more, must take it for a hold. A hold stands until told otherwise.
A pump whose gauges are silent is held whatever its records say; so is every pump when the pipeline stops, and
when it is killed (by the broker, as each connection's last will).
"""

import logging
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Final

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from edge.broker import BrokerUrl
from edge.wire import release_topic
from edge.words import ReleaseState

log = logging.getLogger(__name__)

TELL_EVERY_S: Final = 10.0
VALID_S: Final = 45.0  # four tellings, so that one that is late turns no light over
_KEEPALIVE_S: Final = 15  # a broker tells the last will after one and a half of them


class Standing(msgspec.Struct, frozen=True):
    """What is told of a pump. valid_until : None for a hold, which stands until told otherwise."""

    state: ReleaseState
    since: datetime
    reasons: tuple[str, ...]
    told_at: datetime | None = None
    valid_until: datetime | None = None


class Heard(msgspec.Struct):
    """When a pump's gauges were last heard: when something new came, and of which moment it was."""

    came_at: datetime
    read_at: datetime

    def fresh_until(self, silent_s: float) -> datetime:
        """Neither an old reading that comes now, nor one of a clock that runs ahead, speaks for the pump."""
        return min(self.came_at, self.read_at) + timedelta(seconds=silent_s)


def standing_now(
    judged: Standing, heard: Heard | None, silent_s: float | None, began: datetime, now: datetime
) -> Standing:
    """What may be told of a pump at this moment.

    judged : as its records have it; heard : None where its gauges were not, since the pipeline began
    silent_s : how long gauges may be silent [s]; None where the site needs no gauges
    """
    if judged.state != ReleaseState.RELEASE:
        return msgspec.structs.replace(judged, told_at=now, valid_until=None)
    valid_until = now + timedelta(seconds=VALID_S)
    if silent_s is not None:
        fresh_until = began if heard is None else heard.fresh_until(silent_s)
        if fresh_until <= now:
            since = began if heard is None else min(heard.came_at, heard.read_at)
            reason = f"No gauge reading since {since.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC."
            return Standing(ReleaseState.HOLD, max(judged.since, fresh_until), (reason,), now)
        valid_until = min(valid_until, fresh_until)
    return msgspec.structs.replace(judged, told_at=now, valid_until=valid_until)


class Andon:
    """Tells every pump's standing on connections of its own, so that telling never gets in landing's way."""

    def __init__(
        self,
        broker: BrokerUrl,
        *,
        silent_s: float | None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        """silent_s : see `standing_now`"""
        self._broker = broker
        self._silent_s = silent_s
        self._clock = clock
        self._began = clock()
        self._lock = threading.Lock()
        self._judged: dict[tuple[str, str], Standing] = {}
        self._heard: dict[tuple[str, str], Heard] = {}
        self._lamps: dict[tuple[str, str], mqtt.Client] = {}
        self._told: dict[tuple[str, str], ReleaseState] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="andon", daemon=True)

    def __enter__(self) -> "Andon":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        now = self._clock()
        with self._lock:
            for pump, judged in self._judged.items():
                if judged.state == ReleaseState.RELEASE:
                    gone = Standing(
                        ReleaseState.HOLD, now, ("The pipeline was stopped; nobody watches the pump.",), now
                    )
                    self._publish(pump, gone)
        for lamp in self._lamps.values():
            with suppress(OSError):
                lamp.disconnect()
            lamp.loop_stop()

    def tell(self, site: str, pump: str, judged: Standing) -> None:
        """Say how a pump stands by its records; the broker keeps the last word for whoever asks later."""
        with self._lock:
            self._judged[site, pump] = judged
            self._tell((site, pump))

    def heard(self, newest: Mapping[tuple[str, str], datetime]) -> None:
        """Gauge readings came; newest : the latest moment of each pump."""
        now = self._clock()
        with self._lock:
            for pump, at in newest.items():
                before = self._heard.get(pump)
                if before is None or at > before.read_at:
                    self._heard[pump] = Heard(now, at)
                if self._told.get(pump) == ReleaseState.HOLD:
                    self._tell(pump)

    def standings(self) -> dict[tuple[str, str], Standing]:
        """What may be told now, by pump."""
        with self._lock:
            return {pump: self._now(pump) for pump in self._judged}

    # -- inside, with the lock held

    def _work(self) -> None:
        while not self._stop.wait(TELL_EVERY_S):
            with self._lock:
                for pump in self._judged:
                    self._tell(pump)

    def _now(self, pump: tuple[str, str]) -> Standing:
        heard = self._heard.get(pump)
        return standing_now(self._judged[pump], heard, self._silent_s, self._began, self._clock())

    def _tell(self, pump: tuple[str, str]) -> None:
        if pump not in self._judged:
            return
        standing = self._now(pump)
        if self._told.get(pump) not in (None, standing.state):
            log.info(
                "pump=%s site=%s state=%s reasons=%s", pump[1], pump[0], standing.state, standing.reasons
            )
        self._told[pump] = standing.state
        self._publish(pump, standing)

    def _publish(self, pump: tuple[str, str], standing: Standing) -> None:
        lamp = self._lamps.get(pump) or self._light(pump)
        lamp.publish(release_topic(*pump), msgspec.json.encode(standing), qos=1, retain=True)

    def _light(self, pump: tuple[str, str]) -> mqtt.Client:
        """A connection for one pump: MQTT has one last will a connection."""
        lamp = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._broker.identify(lamp)
        will = Standing(
            ReleaseState.HOLD, self._clock(), ("The pipeline is out of contact; nobody watches the pump.",)
        )
        lamp.will_set(release_topic(*pump), msgspec.json.encode(will), qos=1, retain=True)

        def on_connect(
            _client: object, _data: object, _flags: object, reason: ReasonCode, _more: object
        ) -> None:
            # The broker has told the will meanwhile, or was started anew and knows nothing.
            if not reason.is_failure and self._lock.acquire(timeout=1.0):
                try:
                    if not self._stop.is_set():
                        self._tell(pump)
                finally:
                    self._lock.release()

        lamp.on_connect = on_connect
        lamp.connect_async(self._broker.host, self._broker.port, keepalive=_KEEPALIVE_S)
        lamp.loop_start()
        self._lamps[pump] = lamp
        return lamp
