"""Do eye and camera agree at this shop, and where would its own calls put the limit? A report and a proposal.

Nothing is changed: the proposal is text for site.toml, with where it comes from, for a person to put in.
"""

from datetime import date
from pathlib import Path
from typing import Final

from msgspec import Struct

from pipeline.derive.agreement import Agreement, Interval, agreement, kappa_in_words
from pipeline.derive.smear.learn import Proposal, propose
from pipeline.join import connect
from pipeline.settings import FILE_NAME, SiteSettings

_SHOWN: Final = 10


class Sample(Struct, frozen=True, kw_only=True):
    """One sample that both have judged. cov : [1]; sha256 : its photograph."""

    day: date
    pump: str
    person: str
    eye: str
    camera: str
    cov: float | None
    sha256: str


class LimitsReport(Struct, frozen=True, kw_only=True):
    """How eye and camera agree, and the limit that follows.

    present : cov_max in force [1]; not_judged : samples called by eye whose photograph was sent back
    fitted : samples the proposal rests on; toml : to put into site.toml, empty where nothing is proposed
    """

    present: float
    first: date | None
    last: date | None
    not_judged: int
    agreement: Agreement
    fitted: int
    proposal: Proposal
    disputed: tuple[Sample, ...]
    toml: str


def report_limits(
    home: Path, settings: SiteSettings, site: str | None = None, pump: str | None = None
) -> LimitsReport:
    """The report of a home's history. Raises InputError if there is no such home."""
    rows = (
        connect(home, settings)
        .execute(
            "SELECT day, pump, person, eye, camera, cov, sha256 FROM smear_agreement "
            "WHERE site = coalesce(?, site) AND pump = coalesce(?, pump) ORDER BY time, id",
            [site, pump],
        )
        .fetchall()
    )
    names = Sample.__struct_fields__
    return report_of([Sample(**dict(zip(names, row, strict=True))) for row in rows], settings.smear.cov_max)


def report_of(samples: list[Sample], present: float) -> LimitsReport:
    """The report of a list of samples. present : cov_max in force [1]."""
    judged = [sample for sample in samples if sample.camera in ("pass", "fail")]
    # What the camera failed for a streak or a patch, below the limit on the variation, is caught by those
    # rules whatever this limit is; to fit it here would only drag the limit down.
    fitted = [
        (sample, sample.cov)
        for sample in judged
        if sample.cov is not None and not (sample.camera == "fail" and sample.cov <= present)
    ]
    proposal = propose([cov for _, cov in fitted], [sample.eye == "fail" for sample, _ in fitted], present)
    days = [sample.day for sample in samples]
    first, last = (min(days), max(days)) if days else (None, None)
    return LimitsReport(
        present=present,
        first=first,
        last=last,
        not_judged=len(samples) - len(judged),
        agreement=agreement([s.eye == "fail" for s in judged], [s.camera == "fail" for s in judged]),
        fitted=len(fitted),
        proposal=proposal,
        disputed=tuple(fitted[row][0] for row in proposal.disputed),
        toml=_toml(proposal, len(fitted), first, last),
    )


def _toml(proposal: Proposal, fitted: int, first: date | None, last: date | None) -> str:
    if proposal.cov_max is None:
        return ""
    origin = f"fitted to {fitted} samples seen by eye and camera, {first} to {last}: {proposal.reason}"
    return f'[smear]\ncov_max = {proposal.cov_max:.3f}\norigin = "{origin}"\n'


def limits_in_words(report: LimitsReport) -> str:
    """The report for a terminal."""
    counts, proposal = report.agreement, report.proposal
    if not counts.samples:
        return (
            "No sample has been judged by both an eye and the camera: at the pump, call a few dozen by eye, "
            "good and bad, and photograph each."
        )
    lines = [
        f"{counts.samples} samples judged by eye and camera, {report.first} to {report.last}"
        + (f"; sent back besides: {report.not_judged}" if report.not_judged else ""),
        "",
        "                   camera passed   camera failed",
        f"  eye passed   {counts.both_pass:>17}{counts.false_alarms:>16}",
        f"  eye failed   {counts.misses:>17}{counts.both_fail:>16}",
        "",
        "kappa         " + (_kappa(counts.kappa)),
        f"miss rate     {_share(counts.miss_rate)} of the mixes that the eye failed",
        f"false alarms  {_share(counts.false_alarm_rate)} of the mixes that the eye passed",
        "",
    ]
    if proposal.passes_failed:
        lines += [
            f"ATTENTION: the present limit, {report.present:.3f}, lets through",
            f"{proposal.passes_failed} of the mixes that the eye failed.",
            "",
        ]
    if proposal.cov_max is None:
        lines.append(f"No other limit proposed than the present {report.present:.3f}: {proposal.reason}.")
    else:
        lines += [
            f"Proposed for {FILE_NAME}, {_compared(proposal.cov_max, report.present)}.",
            "None of the mixes that the eye failed would pass it. Of those that the eye passed,",
            f"{_share(proposal.false_alarms)} would fail:",
            "",
            *("    " + line for line in report.toml.splitlines()),
        ]
    if report.disputed:
        lines += ["", "Look at these again, eye and variation contradict each other:"]
        lines += [
            f"    {s.day}  {s.pump}  {s.person}: {s.eye} by eye, variation {s.cov:.3f}, photo {s.sha256[:8]}"
            for s in report.disputed[:_SHOWN]
        ]
        more = len(report.disputed) - _SHOWN
        lines += [f"    and {more} more"] if more > 0 else []
    return "\n".join(lines)


def _compared(proposed: float, present: float) -> str:
    return f"{'tighter' if proposed < present else 'LOOSER'} than the present {present:.3f}"


def _kappa(kappa: Interval | None) -> str:
    if kappa is None:
        return "not defined: one of the two never failed a mix, or always did"
    return f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f}), {kappa_in_words(kappa.value)}"


def _share(share: Interval | None) -> str:
    return (
        "none to tell from" if share is None else f"{share.value:.1%} ({share.low:.1%} to {share.high:.1%})"
    )
