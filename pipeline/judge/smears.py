"""Which smear verdicts count? A photograph's, and a person's by eye, and both may be of one sample.

Any failing verdict on a sample fails it, whoever gave it and whatever another says. A retake is no evidence,
neither pass nor fail. A pass by eye alone counts only where the site's settings say so.
"""

from bisect import bisect_left, bisect_right
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


class _Fails:
    """Failing verdicts in order of time, to be asked which others are of the same sample."""

    def __init__(self, fails: Sequence[_Fail], apart: timedelta) -> None:
        self.times = [fail.at for fail in fails]
        self._fails = fails
        self._apart = apart
        self._of_photo = {fail.photo for fail in fails if fail.photo is not None}

    def one_with(self, at: datetime, sheet: str | None, photo: str | None) -> bool:
        """Whether any of them and another verdict are of one sample."""
        if photo in self._of_photo:
            return True
        near = slice(bisect_left(self.times, at - self._apart), bisect_right(self.times, at + self._apart))
        return any(self.one(fail, at, sheet, photo) for fail in self._fails[near])

    def one(self, fail: _Fail, at: datetime, sheet: str | None, photo: str | None) -> bool:
        """Whether this one and another are of one sample. Where it can't be told, those close by are."""
        if photo is not None and fail.photo == photo:
            return True
        if sheet and fail.sheet and sheet != fail.sheet:
            return False
        return abs(fail.at - at) <= self._apart


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
    fails.sort(key=lambda fail: (fail.at, fail.ref))
    found = _Fails(fails, timedelta(minutes=limits.same_sample_min))
    judged = [
        JudgedSmear(at=s.at, passed=True, text=f"smear test passed (photo {s.sha256[:8]})", ref=s.sha256)
        for s in scores
        if s.verdict == Verdict.PASS and not found.one_with(s.at, s.sheet, s.sha256)
    ]
    if limits.smear_pass_by_eye_alone:
        judged += [
            JudgedSmear(at=c.at, passed=True, text=f"smear test passed by eye ({c.by})", ref=str(c.id))
            for c in calls
            if c.call == "pass" and not found.one_with(c.at, c.sheet, c.photo)
        ]
    passed_at = sorted(smear.at for smear in judged)
    for number, fail in enumerate(fails):
        place = bisect_left(passed_at, fail.at)
        first = bisect_right(found.times, passed_at[place - 1]) if place else 0
        again = any(
            not found.one(earlier, fail.at, fail.sheet, fail.photo) for earlier in fails[first:number]
        )
        judged.append(JudgedSmear(at=fail.at, passed=False, text=fail.text, ref=fail.ref, again=again))
    return sorted(judged, key=lambda smear: (smear.at, not smear.passed, smear.ref))


def _why(score: SmearScore) -> str:
    return f": {clause(score.reasons[0])}" if score.reasons else ""


def _note(call: SmearCall) -> str:
    return f": {clause(call.note)}" if call.note else ""
