"""How far were the wings dragged past each other? Lays fine striations of one wing on those of the other.

Outline and streaks place the wings to a millimetre or two; where the mix is striped all over by lines as fine
as that, the stripes miss each other and a poor mix looks even. A sheet that stands up at its fold shows what
lies at one distance from the fold shifted alike, by as much as it stands up there. So one shift is sought for
each distance, that all parts along the fold agree upon; relief agrees with nothing for so long.
"""

from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray

_PX_PER_MM: Final = 2.5
_FINE_MM: Final = 0.25
_WIDE_MM: Final = 3.0  # slower waves than this lie on each other well enough
_STRIP_MM: Final = 4.0
_FARTHEST_MM: Final = 2.4
_BENT: Final = 0.04  # of correlation, for a step of one pixel between neighbouring distances
_AGREED: Final = 0.22  # correlation that relief does not come by, however it is moved
_GAIN: Final = 0.08
_BEYOND_CHANCE: Final = 1.5  # times what the search gains where there is nothing to find
_STRIPS_LEAST: Final = 4


def drag(
    wing: FloatArray, mirror: FloatArray, both: BoolArray, angle: float, px_per_mm: float
) -> FloatArray | None:
    """(H, W, 2) [px] how much farther on, in x and y, each spot's counterpart lies; None: as it is.

    wing, mirror : (H, W), relative fraction; both : (H, W), one wing's film where both are seen
    angle : [rad] of the fold's normal, as in Fold
    """
    shrink = min(1.0, _PX_PER_MM / px_per_mm)
    scale = shrink * px_per_mm
    share = cv2.resize(both.astype(np.float32), None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    a, b = (_striations(one, both, share, shrink, scale) for one in (wing, mirror))
    y, x = np.nonzero(share > 0.5)
    if len(y) == 0:
        return None
    beyond = (x * np.cos(angle) + y * np.sin(angle)) / scale
    start = float(beyond.min())
    strip = ((beyond - start) / _STRIP_MM).astype(int)
    weight = np.bincount(strip) / len(strip)
    if len(weight) < _STRIPS_LEAST:
        return None
    reach = round(_FARTHEST_MM * scale)

    def sought(opposite: FloatArray) -> tuple[NDArray[np.int64], float, float]:
        agreement = _agreement(a, opposite, (y, x), strip, reach) * weight[:, None, None]
        path = _path(agreement, _BENT * weight)
        told = float(agreement[np.arange(len(path)), path[:, 0], path[:, 1]].sum())
        return path, told, told - float(agreement[:, reach, reach].sum())

    path, told, gain = sought(b)
    if told < _AGREED or gain < _GAIN:
        return None
    # Whoever seeks finds something: a wing laid on head to foot has nothing in common, and tells how much.
    _, _, chance = sought(
        np.ascontiguousarray(b[::-1] if abs(np.cos(angle)) > abs(np.sin(angle)) else b[:, ::-1])
    )
    if gain < _BEYOND_CHANCE * chance:
        return None
    at = start + (np.arange(len(path)) + 0.5) * _STRIP_MM
    y, x = np.mgrid[: both.shape[0], : both.shape[1]].astype(np.float32)
    from_fold = (x * np.cos(angle) + y * np.sin(angle)) / px_per_mm
    moved = [np.interp(from_fold, at, (path[:, n] - reach) / shrink) for n in (1, 0)]
    return np.stack(moved, axis=-1).astype(np.float32)


def dragged(mirror: FloatArray, by: FloatArray) -> FloatArray:
    """(H, W) the mirror image with each spot's counterpart where `drag` found it."""
    y, x = np.mgrid[: mirror.shape[0], : mirror.shape[1]].astype(np.float32)
    x, y = x + by[..., 0], y + by[..., 1]
    return np.asarray(cv2.remap(mirror, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _striations(
    fraction: FloatArray, film: BoolArray, share: FloatArray, shrink: float, scale: float
) -> FloatArray:
    """(h, w) what is finer than _WIDE_MM, the film's edge left out. share : (h, w) of film in a pixel."""
    inside = np.where(film, np.clip(fraction, -1, 2), 0).astype(np.float32)
    small = cv2.resize(inside, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)

    def spread(mm: float) -> FloatArray:
        there = np.maximum(cv2.GaussianBlur(share, (0, 0), mm * scale), 0.05)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), mm * scale) / there, np.float32)

    return np.where(share > 0.5, spread(_FINE_MM) - spread(_WIDE_MM), 0).astype(np.float32)


def _agreement(
    wing: FloatArray,
    mirror: FloatArray,
    spots: tuple[NDArray[np.int64], NDArray[np.int64]],
    strip: NDArray[np.int64],
    reach: int,
) -> NDArray[np.float64]:
    """(N, S, S) correlation of each strip along the fold at each shift, by y, then x.

    spots : rows and columns of the film's pixels, (P,) each; strip : (P,) the one that each lies in
    """
    steps = 2 * reach + 1
    padded = np.ascontiguousarray(np.pad(mirror, reach), np.float32)
    # What lies side by side is fetched at once, and what belongs to one strip is summed as a matrix product.
    rows = np.lib.stride_tricks.sliding_window_view(padded.ravel(), steps)
    order = np.argsort(strip, kind="stable")
    at = (spots[0] * padded.shape[1] + spots[1])[order]
    own = wing[spots][order].astype(np.float32)
    ones = np.ones_like(own)
    ends = np.cumsum(np.bincount(strip))
    energy = np.bincount(strip, wing[spots] ** 2)
    out = np.zeros((len(ends), steps, steps))
    for dy in range(steps):
        there = rows[at + dy * padded.shape[1]]
        square = there * there
        for n, (start, end) in enumerate(pairwise((0, *ends.tolist()))):
            power = energy[n] * (ones[start:end] @ square[start:end])
            out[n, dy] = own[start:end] @ there[start:end] / np.sqrt(np.maximum(power, 1e-12))
    return out


def _path(agreement: NDArray[np.float64], bent: NDArray[np.float64]) -> NDArray[np.int64]:
    """(N, 2) the shifts, by y and x, one a strip, that agree best and change little from one to the next.

    agreement : (N, S, S); bent : (N,) what a change of one pixel costs there
    Source: dynamic programming, R. Bellman 1957, as in any text.
    """
    steps = agreement.shape[1]
    at = np.array([(y, x) for y in range(steps) for x in range(steps)])
    apart = np.abs(at[:, None] - at[None]).sum(axis=2)
    worth = agreement[0].ravel()
    came = []
    for here, cost in zip(agreement[1:], bent[1:], strict=True):
        ways = worth[:, None] - cost * apart
        came.append(ways.argmax(axis=0))
        worth = ways.max(axis=0) + here.ravel()
    best = [int(worth.argmax())]
    for back in reversed(came):
        best.append(int(back[best[-1]]))
    return np.asarray(at[best[::-1]])
