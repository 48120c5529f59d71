"""Where was the paper folded? Its crease runs on beyond the film, at both ends.

A film that is even, or as round as a coin, is its own mirror image about many lines; the paper knows which
one it is. A crease is a fine straight line, darker or lighter than the paper beside it from end to end, and
there is no other like it.
"""

from typing import Final, NamedTuple

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix

_PX_PER_MM: Final = 2.0
_FINE_MM, _WIDE_MM = 0.35, 1.5
_FAINT: Final = 0.1  # relative to the paper: what differs more is ink or the film's rim
_CLEAR_MM: Final = 2.5  # from the film, and from all that is no paper
_STANDS_OUT: Final = 2.5  # deviations of the paper's own grain, for a spot to count
_CUT: Final = 4.0  # a spot counts for no more
_VOTES_LEAST: Final = 20
_TRIED: Final = 4  # lines of each kind, dark and light
_TURNS: Final = np.deg2rad(np.arange(-0.5, 0.6, 0.25))
_SHIFTS_PX: Final = np.arange(-1, 1.1, 0.5)
_PIECE_MM: Final = 5.0  # grain and fibres even out over it
_FULL: Final = 0.7  # of a piece is to be seen
_PIECES_LEAST: Final = 2  # at each end
# Deviations of grain, times the root of the pieces. Where no crease is the best line has 0.3 to 1.6, along a
# crease 2.4 to 15: on photographs of three renderers.
_SURE: Final = 2.2
_OTHERS: Final = 0.6  # of it: another line as clear
_APART_DEG, _APART_MM = 3.0, 3.0
_REACH: Final = 0.2  # of the film's length: how far from its middle the fold runs


class _Ground(NamedTuple):
    """The paper made small.

    ridge : (h, w), how much a spot differs from those around, over the deviation of the paper's grain
    weight : (h, w), 1 on bare paper; ridge is 0 elsewhere
    """

    ridge: FloatArray
    weight: FloatArray


def find_crease(grey: FloatArray, paper: BoolArray, film: BoolArray, px_per_mm: float) -> Matrix | None:
    """(2,) angle [rad] and offset [px] of x cos(angle) + y sin(angle) = offset; None where none is plain.

    grey : (H, W) relative to the paper; paper, film : (H, W)
    """
    shrink = min(1.0, _PX_PER_MM / px_per_mm)
    scale = shrink * px_per_mm
    ground = _ground(grey, paper, film, shrink, scale)
    lines = _straight(ground.ridge) if ground else np.empty((0, 2))
    if ground is None or not len(lines):
        return None
    ys, xs = np.nonzero(film)
    middle = (np.array([xs.mean(), ys.mean()]) + 0.5) * shrink - 0.5
    lines, sure = _clearest(ground, lines, middle, scale)
    best = int(np.argmax(sure))
    angle, offset = lines[best]
    # Angles just under half a turn and just over none are one way, seen from either side.
    aside = np.sign(np.cos(lines[:, 0] - angle)) * (_normals(lines) @ middle - lines[:, 1])
    near = np.abs(aside) <= _REACH * shrink * max(np.ptp(xs), np.ptp(ys))
    turned = np.abs(np.sin(lines[:, 0] - angle)) > np.sin(np.deg2rad(_APART_DEG))
    # Of ruled paper's lines, or of two creases that cross in the film, none is the fold beyond doubt.
    other = np.where(turned, near, np.abs(aside - aside[best]) > _APART_MM * scale)
    if not near[best] or sure[best] < max(_SURE, sure[other].max(initial=0) / _OTHERS):
        return None
    # Pixel centres: small pixel i stands for pixels around (i + 0.5) / shrink - 0.5.
    aside_px = (np.cos(angle) + np.sin(angle)) / 2
    return np.array([angle, (offset + aside_px) / shrink - aside_px])


def _ground(
    grey: FloatArray, paper: BoolArray, film: BoolArray, shrink: float, scale: float
) -> _Ground | None:
    size = (round(grey.shape[1] * shrink), round(grey.shape[0] * shrink))
    bare = cv2.resize((paper & ~film).astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    clear = 2 * round(_CLEAR_MM * scale) + 1
    bare = cv2.erode(bare, np.ones((clear, clear), np.uint8))
    weight = bare.astype(np.float32)
    if not weight.any():
        return None
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    off = np.clip(small - 1, -_FAINT, _FAINT) * weight
    fine, wide = (
        cv2.GaussianBlur(off, (0, 0), mm * scale)
        / np.maximum(cv2.GaussianBlur(weight, (0, 0), mm * scale), 0.05)
        for mm in (_FINE_MM, _WIDE_MM)
    )
    ridge = (fine - wide) * weight
    grain = 1.4826 * float(np.median(np.abs(ridge[bare > 0])))
    return _Ground(np.clip(ridge / max(grain, 1e-6), -_CUT, _CUT), weight)


def _straight(ridge: FloatArray) -> Matrix:
    """(N, 2) angle and offset of the lines on which most spots stand out: the commonest dark and light ones.

    Source: R. O. Duda, P. E. Hart, Comm. ACM 15(1), 1972, 11-15.
    """
    lines = []
    for kind in (-ridge, ridge):
        found = cv2.HoughLines((kind > _STANDS_OUT).astype(np.uint8), 1.0, np.deg2rad(0.5), _VOTES_LEAST)
        if found is not None:
            lines.append(found.reshape(-1, found.shape[-1])[:_TRIED, 1::-1])
    return np.concatenate(lines).astype(np.float64) if lines else np.empty((0, 2))


def _clearest(ground: _Ground, lines: Matrix, middle: Matrix, scale: float) -> tuple[Matrix, FloatArray]:
    """(N, 2) the clearest line near each of `lines`, and (N,) how clear it is at its fainter end."""
    turned = (lines[:, None, None, 0] + _TURNS[:, None] + 0 * _SHIFTS_PX).reshape(len(lines), -1)
    # Turned about the spot nearest to the film.
    foot = middle - _normals(lines) * (_normals(lines) @ middle - lines[:, 1])[:, None]
    normals = np.stack([np.cos(turned), np.sin(turned)], axis=-1)
    shifts = np.broadcast_to(_SHIFTS_PX, (len(_TURNS), len(_SHIFTS_PX))).ravel()
    offsets = (normals * foot[:, None]).sum(axis=-1) + shifts
    piece = max(2, round(_PIECE_MM * scale))
    pieces = int(np.hypot(*ground.weight.shape)) // piece
    along = np.arange(-pieces * piece, pieces * piece) + 0.5
    ways = np.stack([-normals[..., 1], normals[..., 0]], axis=-1)
    starts = normals * offsets[..., None] + ways * (ways @ middle)[..., None]
    x, y = (
        (starts[..., n, None] + along * ways[..., n, None]).reshape(-1, len(along)).astype(np.float32)
        for n in (0, 1)
    )
    there = cv2.remap(cv2.merge([ground.ridge, ground.weight]), x, y, cv2.INTER_LINEAR)
    ridge, weight = np.moveaxis(there.reshape(len(x), 2, pieces, piece, 2).sum(axis=3), -1, 0)
    seen = weight > _FULL * piece
    count = seen.sum(axis=2)
    mean = np.where(seen, ridge / np.maximum(weight, 1), 0).sum(axis=2) / np.sqrt(np.maximum(count, 1))
    both = (count >= _PIECES_LEAST).all(axis=1) & (mean[:, 0] * mean[:, 1] > 0)
    sure = np.where(both, np.abs(mean).min(axis=1), 0).reshape(turned.shape)
    best = sure.argmax(axis=1)
    at = np.arange(len(lines)), best
    return np.stack([turned[at], offsets[at]], axis=1), sure[at]


def _normals(lines: Matrix) -> Matrix:
    """(N, 2). lines : (N, 2) angle and offset"""
    return np.stack([np.cos(lines[:, 0]), np.sin(lines[:, 0])], axis=1)
