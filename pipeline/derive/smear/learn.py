"""Which limit on the variation do the shop's own calls ask for? A proposal, with what it rests on.

The eye is taken for right where it failed a mix: a proposal lies below every mix that the eye failed. Looser
than the present limit it is only where enough failed mixes stand behind it, for a limit that has seen three
bad mixes knows nothing of the fourth.
"""

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

from pipeline.derive.agreement import Interval, wilson

# With no miss among so many failed mixes, fewer than 5 in 100 are missed, 95 % sure: ln 0.05 / ln 0.95.
FAILS_TO_LOOSEN: Final = 59
PASSES_LEAST: Final = 20
# A limit that fails more good mixes than this is no limit to work with: the calls are looked at first.
FALSE_ALARMS_MAX: Final = 0.1
# Never nearer to a failed mix than this share below it: the camera repeats itself no better.
_CLEARANCE: Final = 0.9


class Proposal(Struct, frozen=True, kw_only=True):
    """What the calls ask for.

    cov_max : the limit proposed; None where the present one should stay, and `reason` says why
    false_alarms : of good mixes, under the limit proposed
    disputed : rows whose call and variation contradict each other; to be looked at again
    passes_failed : mixes the eye failed that the present limit alone lets through
    """

    cov_max: float | None
    reason: str
    false_alarms: Interval | None
    disputed: tuple[int, ...]
    passes_failed: int


def propose(cov: ArrayLike, eye_fails: ArrayLike, present: float) -> Proposal:
    """A limit on the variation from samples that eye and camera have both judged.

    cov : (N,) [1]; eye_fails : (N,) bool; present : the limit in force [1]
    """
    seen, failed = np.asarray(cov, np.float64), np.asarray(eye_fails, bool)
    good, bad = seen[~failed], seen[failed]
    slipped = int((bad <= present).sum())

    def kept(reason: str, disputed: tuple[int, ...] = ()) -> Proposal:
        return Proposal(
            cov_max=None, reason=reason, false_alarms=None, disputed=disputed, passes_failed=slipped
        )

    if not len(bad):
        return kept("no mix was failed by eye, so nothing tells where the limit must lie")
    if len(good) < PASSES_LEAST:
        return kept(f"{len(good)} mixes passed by eye are too few: {PASSES_LEAST} are needed")
    worst = float(bad.min())
    below = good[good < worst * _CLEARANCE]
    # Halfway between the two, in ratio, since a variation is told to a share of itself.
    limit = min(np.sqrt(float(below.max()) * worst) if len(below) else 0.0, worst * _CLEARANCE)
    alarms = wilson(int((good > limit).sum()), len(good))
    if alarms is None or alarms.value > FALSE_ALARMS_MAX:
        disputed = np.flatnonzero(np.where(failed, seen <= np.quantile(good, 0.9), seen > worst))
        return kept(
            "eye and camera contradict each other: a limit below every mix that the eye failed would fail "
            f"{alarms.value if alarms else 1:.0%} of those it passed",
            tuple(int(row) for row in disputed),
        )
    limit = float(np.floor(limit * 1000) / 1000)
    if limit > present and len(bad) < FAILS_TO_LOOSEN:
        return kept(
            f"{len(bad)} mixes failed by eye are too few to loosen the limit to {limit:.3f}: "
            f"{FAILS_TO_LOOSEN} are needed"
        )
    if abs(limit - present) < 0.0015:
        return kept("the present limit is where the calls ask for it")
    disputed = np.flatnonzero(~failed & (seen > limit))
    return Proposal(
        cov_max=limit,
        reason=f"halfway from the highest variation passed by eye to the lowest failed, {worst:.3f}",
        false_alarms=alarms,
        disputed=tuple(int(row) for row in disputed),
        passes_failed=slipped,
    )
