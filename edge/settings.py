"""Which sources does an edge have? Its table [edges.NAME] in the site's one TOML file.

[edges.edge-a]
pump = "pump-a"
also_pumps = ["pump-b"]     # may write records and send photographs of them too

[[edges.edge-a.modbus]]
url = "tcp://10.0.0.20"
[[edges.edge-a.modbus.channels]]
gauge = "base"
register = 0
unit = "psi"
factor = 0.001              # raw counts of a microampere to mA
loop_low = 0.0
loop_high = 5000.0
calibration = { read_low = 0.0, true_low = 1.5, read_high = 4990.0, true_high = 5000.0, due = 2027-03-01 }

[edges.edge-a.sparkplug]
group = "hall-9"
node = "gateway-1"
[edges.edge-a.sparkplug.metrics]
"Pump/Base Pressure" = { gauge = "base", unit = "bar" }
"""

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta, Struct

from edge.errors import InputError
from edge.records import Name
from edge.sources.loop import Channel
from edge.sources.modbus import ModbusDevice
from edge.sources.sparkplug import SparkplugNode

_BYTES_MAX: Final = 1024 * 1024


class EdgeSettings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one edge reads, and for which pump. What it says of a pump not named here is set aside."""

    pump: Name
    also_pumps: Annotated[tuple[Name, ...], Meta(max_length=100)] = ()
    modbus: Annotated[tuple[ModbusDevice, ...], Meta(max_length=8)] = ()
    sparkplug: SparkplugNode | None = None

    def pumps(self) -> frozenset[str]:
        """The pumps that it speaks for."""
        return frozenset({self.pump, *self.also_pumps})

    def channels(self) -> dict[str, Channel]:
        """Every channel there is, by where it stands in the file."""
        found: dict[str, Channel] = {}
        for number, device in enumerate(self.modbus, 1):
            for place, one in enumerate(device.channels, 1):
                found[f"modbus {number}, channel {place}"] = one
        if self.sparkplug is not None:
            found |= {f"metric {name!r}": one for name, one in self.sparkplug.metrics.items()}
        return found


def parse_edge(table: Any, name: str, where: str) -> EdgeSettings:
    """An edge's settings out of its table. Raises InputError naming the key."""
    place = f"{where}, edges.{name}"
    try:
        settings = msgspec.convert(table, EdgeSettings)
    except msgspec.ValidationError as error:
        said = re.sub(r" - at `\$\.?([^`]*)`", r" at \1", str(error)).replace("`", "'")
        raise InputError(said, where=place, do="mend that key") from None
    told: dict[Any, str] = {}
    for at, one in settings.channels().items():
        if (mistake := one.mistake()) is not None:
            raise InputError(f"{at}: {mistake}", where=place, do="mend that key")
        if one.gauge in told:
            raise InputError(
                f"{at} and {told[one.gauge]} are both {one.gauge}", where=place, do="name each gauge once"
            )
        told[one.gauge] = at
    return settings


def load_edge(path: Path, name: str) -> EdgeSettings:
    """The settings of one edge in a site's file. Raises InputError naming line or key."""
    try:
        with path.open("rb") as file:
            tree = tomllib.loads(file.read(_BYTES_MAX).decode())
    except OSError as error:
        raise InputError(f"can't be read ({error.strerror})", where=str(path), do="check the name") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"not TOML: {error}", where=str(path), do="mend that line") from None
    edges = tree.get("edges")
    if not isinstance(edges, dict) or name not in edges:
        raise InputError(f"has no table [edges.{name}]", where=str(path), do="write what that edge reads")
    return parse_edge(edges[name], name, str(path))
