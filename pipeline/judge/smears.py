"""Which smear verdicts count? A photograph's, and a person's by eye, and both may be of one sample.

Any failing verdict on a sample fails it, whoever gave it and whatever another says. A retake is no evidence,
neither pass nor fail. A pass by eye alone counts only where the site's settings say so.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from msgspec import Struct

from edge.records import SmearCall
from edge.sentences import clause
from edge.words import Verdict
from pipeline.settings import Limits


class SmearScore(Struct, frozen=True, kw_only=True):
    """A row of smear_scores, as far as the rules need it."""

    at: datetime
    sha256: str
    verdict: Verdict
    score: float | None = None
    sheet: str | None = None
    reasons: Sequence[str] = ()


class JudgedSmear(Struct, frozen=True, kw_only=True):
    """One verdict that counts. again : a different sample has failed since the last that passed."""

    at: datetime
    passed: bool
    text: str
    ref: str
    again: bool = False


class _Fail(Struct, frozen=True):
    at: datetime
    sheet: str | None
    photo: str | None
    ref: str
    text: str


def judged_smears(
    scores: Iterable[SmearScore], calls: Iterable[SmearCall], limits: Limits
) -> list[JudgedSmear]:
    """The verdicts that count, in order of time."""
    scores, calls = list(scores), list(calls)
    fails = [
        *(
            _Fail(s.at, s.sheet, s.sha256, s.sha256, f"smear test failed (photo {s.sha256[:8]}{_why(s)})")
            for s in scores
            if s.verdict == Verdict.FAIL
        ),
        *(
            _Fail(c.at, c.sheet, c.photo, str(c.id), f"smear test failed by eye ({c.by}{_note(c)})")
            for c in calls
            if c.call == "fail"
        ),
    ]
    apart = timedelta(minutes=limits.same_sample_min)
    judged = [
        JudgedSmear(at=s.at, passed=True, text=f"smear test passed (photo {s.sha256[:8]})", ref=s.sha256)
        for s in scores
        if s.verdict == Verdict.PASS and not any(_one(f, s.at, s.sheet, s.sha256, apart) for f in fails)
    ]
    if limits.smear_pass_by_eye_alone:
        judged += [
            JudgedSmear(at=c.at, passed=True, text=f"smear test passed by eye ({c.by})", ref=str(c.id))
            for c in calls
            if c.call == "pass" and not any(_one(f, c.at, c.sheet, c.photo, apart) for f in fails)
        ]
    passed_at = sorted(smear.at for smear in judged)
    fails.sort(key=lambda fail: (fail.at, fail.ref))
    for number, fail in enumerate(fails):
        since = max((at for at in passed_at if at < fail.at), default=None)
        row = [earlier for earlier in fails[:number] if since is None or earlier.at > since]
        again = any(not _one(earlier, fail.at, fail.sheet, fail.photo, apart) for earlier in row)
        judged.append(JudgedSmear(at=fail.at, passed=False, text=fail.text, ref=fail.ref, again=again))
    return sorted(judged, key=lambda smear: (smear.at, not smear.passed, smear.ref))


def _one(fail: _Fail, at: datetime, sheet: str | None, photo: str | None, apart: timedelta) -> bool:
    """Whether a failing verdict and another are of one sample. Where it can't be told, those close by are."""
    if photo is not None and fail.photo == photo:
        return True
    if sheet and fail.sheet and sheet != fail.sheet:
        return False
    return abs(fail.at - at) <= apart


def _why(score: SmearScore) -> str:
    return f": {clause(score.reasons[0])}" if score.reasons else ""


def _note(call: SmearCall) -> str:
    return f": {clause(call.note)}" if call.note else ""
