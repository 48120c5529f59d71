"""Did the sealant cure at the expected rate? Snap times: valid, adjusted for temperature, in range.

A snap test counts only if the sample was mixed to one colour, timed from the mixing on, and lifted 13 to 25
mm (common practice, no published source). What a record leaves unsaid is not held against it, and is told.
"""

from collections.abc import Iterable

from msgspec import Struct

from edge.records import AnyPlainRecord, Changeover, SnapTime
from pipeline.derive.cure.arrhenius import Fit, History, at_reference
from pipeline.derive.cure.limits import LIFT_MM, CureLimits

# beadbook's own: no further beyond the temperatures of the fit is a time adjusted by it.
BEYOND_FIT_K = 2.0


class SnapResult(Struct, frozen=True, kw_only=True):
    """What a snap time shows. passed : None where the test is not valid. Times in minutes.

    adjusted : at the reference temperature, with its 95 % interval by the fit alone; None without a fit
    unsaid : what the record does not say of how the test was made
    """

    id: str
    valid: bool
    passed: bool | None
    least: float
    most: float
    problems: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()
    adjusted: float | None = None
    adjusted_low: float | None = None
    adjusted_high: float | None = None
    fit: Fit | None = None
    base_lot: str | None = None
    curing_agent_lot: str | None = None

    @property
    def charted(self) -> float | None:
        """The adjusted time; None where there is none, or the test is not valid."""
        return self.adjusted if self.valid else None


def snap_results(records: Iterable[AnyPlainRecord], limits: CureLimits) -> list[SnapResult]:
    """One result a snap time, in order of time.

    records : as corrected, of one pump. A test is adjusted by what came before it alone, so that no later
    test changes what an earlier one showed.
    """
    history = History(limits.snap_reference_degc)
    on: dict[str, str | None] = {"base": None, "curing_agent": None}
    ranges: dict[str, tuple[float, float]] = {}
    found = []
    for record in sorted(records, key=lambda record: (record.at, record.id)):
        if isinstance(record, Changeover):
            on[record.part] = record.new_lot
            if record.snap_min_min is not None and record.snap_max_min is not None:
                ranges[record.new_lot] = (record.snap_min_min, record.snap_max_min)
        elif isinstance(record, SnapTime):
            on["base"] = record.base_lot or on["base"]
            on["curing_agent"] = record.curing_agent_lot or on["curing_agent"]
            lots = (on["base"], on["curing_agent"])
            result = _result(record, limits, lots, ranges, history.fit())
            degc = sample_degc(record)
            if result.valid and degc is not None:
                history.add(record.minutes, degc, lots)
            found.append(result)
    return found


def sample_degc(record: SnapTime) -> float | None:
    """The temperature at which the sample cured: the material's own where it was taken, else the room's."""
    return record.material_degc if record.material_degc is not None else record.temp_degc


def snap_problems(record: SnapTime) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(what makes the test invalid, what is not said of it)."""
    problems, unsaid = [], []
    for word, rule, said in (
        ("mixed", "mixed to one colour", record.mixed),
        ("timed", "timed from the mixing on", record.timed),
    ):
        if said is None:
            unsaid.append(word)
        elif not said:
            problems.append(f"not {rule}")
    least, most = LIFT_MM
    if record.lift_mm is None:
        unsaid.append("lifted")
    elif not least <= record.lift_mm <= most:
        problems.append(f"lifted {record.lift_mm:g} mm, wanted {least:g} to {most:g}")
    return tuple(problems), tuple(unsaid)


def _result(
    record: SnapTime,
    limits: CureLimits,
    lots: tuple[str | None, str | None],
    ranges: dict[str, tuple[float, float]],
    fit: Fit | None,
) -> SnapResult:
    problems, unsaid = snap_problems(record)
    known = [ranges[lot] for lot in lots if lot in ranges]
    least = max((one[0] for one in known), default=limits.snap_min_min)
    most = min((one[1] for one in known), default=limits.snap_max_min)
    low = high = record.minutes
    adjusted, degc = None, sample_degc(record)
    if (
        fit is not None
        and degc is not None
        and fit.coldest - BEYOND_FIT_K <= degc <= fit.warmest + BEYOND_FIT_K
    ):
        adjusted, *ends = (
            at_reference(record.minutes, degc, limits.snap_reference_degc, ea)
            for ea in (fit.ea, fit.low, fit.high)
        )
        low, high = min(ends), max(ends)
    return SnapResult(
        id=str(record.id),
        valid=not problems,
        # The fit's doubt counts against the test: its whole interval must lie in the range.
        passed=None if problems else least <= low and high <= most,
        least=least,
        most=most,
        problems=problems,
        unsaid=unsaid,
        adjusted=adjusted,
        adjusted_low=None if adjusted is None else low,
        adjusted_high=None if adjusted is None else high,
        fit=None if adjusted is None else fit,
        base_lot=lots[0],
        curing_agent_lot=lots[1],
    )
