"""What holds at this site? Time zone, shifts, limits and pumps, from the home's site.toml, else defaults.

Times of day are the site's wall clock. A shift is named by the local date on which it starts; a production
day begins at `day_starts` (the first shift's start if left out), so that midnight cuts no night shift.
"""

import re
import tomllib
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import Meta, Struct, structs

from edge.errors import InputError
from edge.records import NAME_PATTERN, Name
from edge.settings import EdgeSettings, parse_edge
from edge.words import Gauge
from pipeline.derive.cure.limits import CureLimits, Measure
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.derive.smear.results import Material, SmearLimits

FILE_NAME: Final = "site.toml"

T = TypeVar("T")

# Of GaugeSettings, what a site sets once and for all its rules.
_SET_ELSEWHERE: Final = {
    "balance_caution_psi": "balance_caution_psi under [limits]",
    "balance_out_psi": "balance_out_psi under [limits]",
    "idle_min": "idle_min under [limits]",
    "base_stroke_ml": "base_stroke_ml under [pumps.NAME]",
    "catalyst_stroke_ml": "curing_agent_stroke_ml under [pumps.NAME]",
}

Clock = Annotated[str, Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d\Z", description="HH:MM, local")]
Psi = Annotated[float, Meta(gt=0, le=20_000, description="[psi]")]
Minutes = Annotated[float, Meta(gt=0, le=1440, description="[min]")]
Seconds = Annotated[float, Meta(gt=0, le=86_400, description="[s]")]
Celsius = Annotated[float, Meta(ge=-40, le=80, description="[degC]")]
Millilitres = Annotated[float, Meta(gt=0, le=100_000, description="[ml]")]


class Shift(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One shift of the day. An end at or before its start lies on the next day."""

    number: Annotated[int, Meta(ge=1, le=9)]
    start: Clock
    end: Clock
    name: str = ""


# Each is a row of judge/rules.py; a site may turn one off by name.
RuleName = Literal[
    "start_of_day",
    "extended_stop",
    "unpurged_stop",
    "changeover",
    "mixer_change",
    "smear_failed",
    "smear_failed_twice",
    "snap_awaited",
    "snap_out_of_limits",
    "ratio_out",
    "out_of_balance",
    "gauge_failed",
    "no_data",
    "lot_expired",
    "soft_spot",
    "held_by_person",
]


class Limits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the rules hold measurements against. Defaults are common practice, no published source."""

    balance_caution_psi: Psi = 200.0
    balance_out_psi: Psi = 300.0
    idle_min: Minutes = 5.0
    extended_stop_min: Minutes = 30.0
    # A gauge that lies or is silent this long while the pump works holds it.
    gauge_failed_s: Seconds = 30.0
    # A release is withdrawn from the broker where the pump's gauges have not been heard for so long.
    silent_s: Annotated[float, Meta(ge=10, le=86_400, description="[s]")] = 120.0
    # An edge's clock is told to run ahead where readings land so long before the time they name.
    clock_ahead_s: Seconds = 5.0
    # Whether a pass by eye counts where no photograph was judged. No: a verdict that errs must err to hold.
    smear_pass_by_eye_alone: bool = False
    # Two verdicts this close together are of one smear sample, unless they name different sheets.
    same_sample_min: Minutes = 5.0
    # A pump without gauges can be released on its tests alone only where this says so.
    gauges_required: bool = True
    override_max_h: Annotated[float, Meta(gt=0, le=72, description="[h]")] = 12.0
    # How long after a passing smear test the snap time of the same mix is asked for.
    snap_due_min: Minutes = 90.0
    # How long a unit stays where it was glazed before it may be moved.
    move_after_h: Annotated[float, Meta(ge=0, le=1000, description="[h]")] = 24.0
    # Rules that do not hold at this site: a decision of its own, shown wherever rules are.
    rules_off: tuple[RuleName, ...] = ()


Litres = Annotated[float, Meta(gt=0, le=10_000, description="[l]")]


class PumpSettings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the sealant's data sheet and the pump's plate say. Ratios are base to curing agent, by mass."""

    ratio_by_mass: Annotated[float, Meta(gt=0, le=100, description="[1]")] = 10.0
    ratio_tolerance_pct: Annotated[float, Meta(gt=0, le=50, description="[%]")] = 5.0
    snap_min_min: Minutes = 30.0
    snap_max_min: Minutes = 60.0
    # When a gauge that no edge's settings describe (a logger's) is to be calibrated next.
    calibration_due: dict[Gauge, date] = {}
    base_stroke_ml: Millilitres | None = None
    curing_agent_stroke_ml: Millilitres | None = None
    # What a new drum and a new pail hold.
    base_drum_l: Litres | None = None
    curing_agent_pail_l: Litres | None = None
    # Fields of CureLimits (derive/cure/limits.py), where each names its origin.
    snap_reference_degc: Celsius = 23.0
    base_density_kg_m3: Annotated[float, Meta(gt=300, le=5000, description="[kg/m3]")] | None = None
    curing_agent_density_kg_m3: Annotated[float, Meta(gt=300, le=5000, description="[kg/m3]")] | None = None
    ratio_catches_min: Annotated[int, Meta(ge=1, le=50)] = 3
    scale_g: Annotated[float, Meta(ge=0, le=100, description="[g]")] = 0.1
    soft_spot_shore_a: Annotated[float, Meta(gt=0, le=50, description="[Shore A]")] = 5.0
    bead_readings_min: Annotated[int, Meta(ge=1, le=20)] = 3
    cohesive_min_pct: Annotated[float, Meta(gt=0, le=100, description="[%]")] = 90.0
    tensile_min_kpa: Annotated[float, Meta(gt=0, le=100_000, description="[kPa]")] = 345.0
    peel_min_n_per_mm: Annotated[float, Meta(gt=0, le=1000, description="[N/mm]")] | None = None
    # The sealant's data sheet; not set, nothing is judged by them.
    storage_min_degc: Celsius | None = None
    storage_max_degc: Celsius | None = None
    # The shade of its good mixes on the printed sheet, as `beadbook shade` shows it.
    material: Material | None = None
    application_min_degc: Celsius | None = None
    application_max_degc: Celsius | None = None
    # Common practice, no published source: a new static mixer each day.
    mixer_max_h: Annotated[float, Meta(gt=0, le=1000, description="[h]")] = 24.0


class Baseline(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Days whose points set a control chart's limits, from its first day on until the next baseline's.

    pump : of one pump, or of each pump by itself where left out; first, last : production days, both included
    """

    name: Annotated[str, Meta(min_length=1, max_length=60)]
    measure: Measure
    first: date
    last: date
    pump: Name | None = None


class SiteSettings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, dict=True):
    """All settings of one site."""

    name: Name = "site"
    time_zone: str = "UTC"
    shifts: Annotated[tuple[Shift, ...], Meta(min_length=1)] = (
        Shift(number=1, name="early", start="06:00", end="14:00"),
        Shift(number=2, name="late", start="14:00", end="22:00"),
        Shift(number=3, name="night", start="22:00", end="06:00"),
    )
    day_starts: Clock | None = None
    # After so many days a pump's raw gauge rows are thinned to one in ten seconds; None: they all stay.
    raw_days: Annotated[int, Meta(ge=30, le=36_500, description="[d]")] | None = None
    limits: Limits = Limits()
    pumps: dict[str, PumpSettings] = {}
    # What each edge reads; the edge itself takes it from here too.
    edges: dict[str, EdgeSettings] = {}
    gauges: GaugeSettings = GaugeSettings()
    smear: SmearLimits = SmearLimits()
    baselines: tuple[Baseline, ...] = ()

    def pump(self, name: str) -> PumpSettings:
        """Settings of a pump; the defaults for one the file does not name."""
        return self.pumps.get(name, PumpSettings())

    def gauges_of(self, pump: str) -> GaugeSettings:
        """How a pump's gauges are analysed: [gauges], the site's limits, the pump's displacements."""
        plate = self.pump(pump)
        return structs.replace(
            self.gauges,
            balance_caution_psi=self.limits.balance_caution_psi,
            balance_out_psi=self.limits.balance_out_psi,
            idle_min=self.limits.idle_min,
            base_stroke_ml=plate.base_stroke_ml,
            catalyst_stroke_ml=plate.curing_agent_stroke_ml,
        )

    def cure_of(self, pump: str) -> CureLimits:
        """What a pump's tests are held against."""
        plate = self.pump(pump)
        return CureLimits(
            snap_min_min=plate.snap_min_min,
            snap_max_min=plate.snap_max_min,
            snap_reference_degc=plate.snap_reference_degc,
            ratio_by_mass=plate.ratio_by_mass,
            ratio_tolerance_pct=plate.ratio_tolerance_pct,
            base_density=plate.base_density_kg_m3,
            curing_agent_density=plate.curing_agent_density_kg_m3,
            ratio_catches_min=plate.ratio_catches_min,
            scale_g=plate.scale_g,
            soft_spot_shore_a=plate.soft_spot_shore_a,
            bead_readings_min=plate.bead_readings_min,
            cohesive_min_pct=plate.cohesive_min_pct,
            tensile_min_pa=plate.tensile_min_kpa * 1e3,
            peel_min_n_per_m=plate.peel_min_n_per_mm and plate.peel_min_n_per_mm * 1e3,
        )

    @cached_property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def day_start_clock(self) -> time:
        """Local time at which the production day begins."""
        return time.fromisoformat(self.day_starts or self.shifts[0].start)

    def shift(self, number: int) -> Shift:
        """The shift of that number. Raises InputError naming those there are."""
        for shift in self.shifts:
            if shift.number == number:
                return shift
        known = ", ".join(str(shift.number) for shift in self.shifts)
        raise InputError(
            f"no shift {number} at {self.name}", where="site settings", do=f"take one of {known}"
        )

    def production_day(self, at: datetime) -> date:
        """The production day a moment lies in. at : aware, any zone."""
        today = at.astimezone(self.zone).date()
        return today if at >= self.day_start(today) else today - timedelta(days=1)

    def day_start(self, day: date) -> datetime:
        """When a production day begins, in UTC."""
        return wall_clock(day, self.day_start_clock, self.zone)

    def shift_window(self, day: date, number: int) -> tuple[datetime, datetime]:
        """Start and end [UTC] of the shift that starts on that local date."""
        shift = self.shift(number)
        start, end = time.fromisoformat(shift.start), time.fromisoformat(shift.end)
        end_day = day if end > start else day + timedelta(days=1)
        return wall_clock(day, start, self.zone), wall_clock(end_day, end, self.zone)

    def shift_at(self, at: datetime) -> tuple[date, int] | None:
        """Date and number of the shift a moment lies in; None between shifts."""
        today = at.astimezone(self.zone).date()
        for day in (today, today - timedelta(days=1)):
            for shift in self.shifts:
                start, end = self.shift_window(day, shift.number)
                if start <= at < end:
                    return day, shift.number
        return None


def wall_clock(day: date, clock: time, zone: ZoneInfo) -> datetime:
    """The moment [UTC] a wall clock in `zone` shows a date and time.

    A time told twice, in autumn, is the first of the two; a time left out, in spring, is the moment at which
    the clock jumps, so that shifts that meet there neither overlap nor leave a hole.
    """
    told = datetime.combine(day, clock, zone)
    moment = told.astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) == told.replace(tzinfo=None):
        return moment
    # In the gap, fold 1 reads the clock with the offset after the jump, fold 0 with the one before it.
    early, late = told.replace(fold=1).astimezone(UTC), moment
    before = early.astimezone(zone).utcoffset()
    while late - early > timedelta(seconds=1):
        middle = (early + (late - early) / 2).replace(microsecond=0)
        if middle.astimezone(zone).utcoffset() == before:
            early = middle
        else:
            late = middle
    return late


def load_settings(home: Path) -> SiteSettings:
    """Settings in the home's site.toml, defaults if there is none. Raises InputError naming line or key."""
    path = home / FILE_NAME
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        return SiteSettings()
    except NotADirectoryError:
        raise InputError("is no folder", where=str(home), do="name a folder with --home") from None
    except OSError as error:
        raise InputError(
            f"can't be read ({error.strerror})", where=str(path), do="mend or remove it"
        ) from None
    except UnicodeDecodeError as error:
        raise InputError(f"is not UTF-8 ({error})", where=str(path), do="save it as UTF-8") from None
    return parse_settings(text, where=str(path))


def parse_settings(text: str, where: str = FILE_NAME) -> SiteSettings:
    """Settings in the text of a site.toml. Raises InputError naming line or key."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not TOML: {error}", where=where, do="mend that line") from None
    # Pumps go one by one, since msgspec does not name the key of a table it can't convert.
    for name, table in _tables(tree.get("edges")).items():
        if not re.match(NAME_PATTERN, name):
            raise _refused(text, where, f"edges.{name}", "an edge's name is small letters, digits, hyphens")
        parse_edge(table, name, where)
    for name, table in _tables(tree.get("pumps")).items():
        if not re.match(NAME_PATTERN, name):
            raise _refused(text, where, f"pumps.{name}", "a pump's name is small letters, digits, hyphens")
        _convert(table, PumpSettings, text, where, f"pumps.{name}")
    for key in _tables(tree.get("gauges")).keys() & _SET_ELSEWHERE.keys():
        raise _refused(text, where, f"gauges.{key}", f"it is set as {_SET_ELSEWHERE[key]}")
    settings = _convert(tree, SiteSettings, text, where, "")
    try:
        settings.zone  # noqa: B018  read once here, so that it cannot fail later
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise _refused(text, where, "time_zone", f"no time zone {settings.time_zone!r}") from None
    for baseline in settings.baselines:
        if baseline.last < baseline.first:
            raise _refused(text, where, "baselines.last", f"{baseline.name!r} ends before its first day")
    numbers = [shift.number for shift in settings.shifts]
    if len(set(numbers)) < len(numbers):
        raise _refused(text, where, "shifts.number", f"shift numbers {numbers} are not all different")
    if settings.limits.balance_caution_psi > settings.limits.balance_out_psi:
        raise _refused(text, where, "limits.balance_caution_psi", "caution lies above out of balance")
    for name, pump in settings.pumps.items():
        if pump.snap_min_min > pump.snap_max_min:
            raise _refused(text, where, f"pumps.{name}.snap_min_min", "it lies above snap_max_min")
    return settings


def _tables(tree: Any) -> dict[str, Any]:
    return tree if isinstance(tree, dict) else {}


def _convert(tree: Any, kind: type[T], text: str, where: str, under: str) -> T:
    try:
        return msgspec.convert(tree, kind)
    except msgspec.ValidationError as error:
        what, _, path = str(error).partition(" - at `$")
        unknown = re.search(r"unknown field `([^`]+)`", what)
        key = under + re.sub(r"\[[^]]*\]", "", path.rstrip("`")) + (f".{unknown[1]}" if unknown else "")
        raise _refused(text, where, key.strip("."), what) from None


def _refused(text: str, where: str, key: str, what: str) -> InputError:
    line = _line_of(text, key)
    place = f"{where}, line {line}" if line else where
    return InputError(f"{key or 'the whole'}: {what}", where=place, do="mend that key")


def _line_of(text: str, key: str) -> int | None:
    """The first line that sets the key, or opens its table; None where it can't be told."""
    table, _, last = key.rpartition(".")
    here = ""
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]", line)
        if header:
            here = header[1].replace('"', "")
            if here == key:
                return number
        elif here == table and re.match(rf'\s*"?{re.escape(last)}"?\s*=', line):
            return number
    return None
