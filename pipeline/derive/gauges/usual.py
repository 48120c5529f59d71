"""What is usual for a gauge? Its pressure, its noise, and whether it shows any.

A limit in a recording's own terms needs these: a gauge that never shows its noise may stand still without
being stuck.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.derive.gauges.frames import NO_PRESSURE_PA, noise_of
from pipeline.derive.gauges.quality import runs_of
from pipeline.derive.gauges.recording import BoolArray, FloatArray

# A gauge whose reading is unchanged for so long, in so many samples, is stuck if it usually shows its noise.
STUCK_S: Final = 3.0
STUCK_SAMPLES: Final = 15
# A gauge is flat by nature, too coarse to show its noise, if by chance as many stays as this in a recording
# are as long as that of a stuck one. Neighbours in one step of a coarse logger go together: take the root.
FLAT_BY_CHANCE: Final = 1e-3
# So is one that has none: noise turns at two samples in three, or at half of them behind a slow filter.
TURNS_MIN: Final = 0.1
# And one whose noise is a third of its step or less: of changes up to three steps hardly any is of two.
ONE_STEP: Final = 1.5
NEAR_STEPS: Final = 3.5
TWO_STEPS_MIN: Final = 0.04
_SAMPLE_BLOCKS: Final = 64
_BLOCK: Final = 4096


@dataclass(frozen=True)
class Usual:
    """What is usual for a gauge. plateau, noise : [Pa]; flat : it does not show its noise, or has none."""

    plateau: float
    noise: float
    flat: bool


def usual_of(values: FloatArray, interval_us: float) -> Usual:
    """Plateau and noise of a gauge, from blocks spread over the recording.

    values : (M,) [Pa]; interval_us : [us], usual
    """
    count = len(values)
    if len(values) > _SAMPLE_BLOCKS * _BLOCK:
        starts = np.linspace(0, len(values) - _BLOCK, _SAMPLE_BLOCKS).astype(np.int64)
        values = values[(starts[:, None] + np.arange(_BLOCK)).ravel()]
    pressurised = values[values > NO_PRESSURE_PA]
    if len(pressurised) < 10:
        return Usual(float(np.median(pressurised)) if len(pressurised) else 0.0, 0.0, True)
    plateau = float(np.median(pressurised))
    # At the highest value a gauge may be clipped: standing still there is no sign of how it is by nature.
    below = pressurised < pressurised.max() * (1 - 1e-9)
    step = np.diff(pressurised)[below[1:]] if np.count_nonzero(below) > 10 else np.diff(pressurised)
    stay = max(STUCK_SAMPLES, STUCK_S * 1e6 / max(interval_us, 1.0))
    if _is_flat(step, stay, count):
        return Usual(plateau, noise_of(pressurised), True)
    changes = np.concatenate(([True], np.diff(pressurised) != 0))
    return Usual(plateau, noise_of(pressurised[changes]), False)


def _is_flat(step: FloatArray, stay: float, count: int) -> bool:
    """Whether a gauge may stand still without being stuck.

    step : (N,) [Pa], from sample to sample; stay : samples of a stuck one's least stay; count : of the
    recording
    """
    still = step == 0
    runs = runs_of(still)
    # A gauge stuck for long must not look flat by nature: no stay counts for more than it takes to see it.
    unchanged = float(np.minimum(runs[:, 1] - runs[:, 0], stay).sum())
    known = unchanged + np.count_nonzero(~still)
    by_chance = (unchanged / known) ** (stay / 2) * count
    back = np.abs(step[:-1][_turns(step)])
    return bool(by_chance > FLAT_BY_CHANCE or len(back) / known < TURNS_MIN or _is_coarse(back))


def _is_coarse(back: FloatArray) -> bool:
    """Whether noise hardly ever takes a reading two of its steps: between two steps it then stands still.

    back : (N,) [Pa], sizes of the changes that are taken back at once
    """
    one = float(np.quantile(back, 0.05))
    small = back[back < NEAR_STEPS * one]
    return float((small > ONE_STEP * one).mean()) < TWO_STEPS_MIN


def shows_noise(step: FloatArray) -> bool:
    """Whether there is noise in some samples. step : (N,) [Pa], from one to the next"""
    return bool(np.count_nonzero(_turns(step)) >= TURNS_MIN * max(1, len(step)))


def _turns(step: FloatArray) -> BoolArray:
    turns: BoolArray = step[1:] * step[:-1] < 0
    return turns
