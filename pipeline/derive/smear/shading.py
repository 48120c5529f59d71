"""Where is bare paper, and what light falls on what lies between?

The light changes slowly over paper, in a soft shadow too; a film ends within a millimetre or two. So paper is
what hangs together by slow changes, and under the film the light is carried on from all around it.
"""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray

SLOW_CHANGE: Final = 0.05  # of log light from one spot of the grid to the next
_DEEPEST: Final = 1.0  # of log light: what is darker by more is no paper in a soft shadow
_NEAR_SPOTS, _FAR_SPOTS = 1.5, 48.0  # of the grid


def even_patch(bright: FloatArray, ok: BoolArray) -> BoolArray:
    """(H, W) the brightest large patch over which light changes slowly: paper, however uneven the light.

    bright : (H, W) luminance on the grid; ok : (H, W), where paper may be. The film is even too, but darker.
    """
    labels = _patches(np.log(np.maximum(bright, 1e-4)), ok)
    weight = np.bincount(labels.ravel(), (bright.astype(np.float64) ** 2).ravel())
    weight[0] = 0
    return np.asarray(labels == int(np.argmax(weight))) & (labels > 0)


def hanging_together(paper: BoolArray, apart: FloatArray, ok: BoolArray) -> BoolArray:
    """(H, W) the paper with what hangs together with it by slow changes: paper that a soft shadow dims.

    paper, ok : (H, W); apart : (H, W), log light less what was expected there
    """
    labels = _patches(apart, ok & (np.abs(apart) < _DEEPEST))
    held = np.bincount(labels.ravel(), paper.ravel())
    held[0] = 0
    # A patch that the surface explains nowhere is a film, or another paper.
    return np.asarray(held[labels] > 0.25 * np.bincount(labels.ravel())[labels]) | paper


def _patches(log: FloatArray, ok: BoolArray) -> BoolArray:
    """(H, W) numbers of the patches within which neighbours differ little; 0 between."""
    change = np.zeros_like(log)
    for axis in (0, 1):
        steps = np.abs(np.diff(log, axis=axis))
        ahead, behind = [(0, 0), (0, 0)], [(0, 0), (0, 0)]
        ahead[axis], behind[axis] = (0, 1), (1, 0)
        change = np.maximum(change, np.maximum(np.pad(steps, ahead), np.pad(steps, behind)))
    _, labels = cv2.connectedComponents((ok & (change < SLOW_CHANGE)).astype(np.uint8), connectivity=4)
    return np.asarray(labels)


def carried_on(values: FloatArray, known: BoolArray) -> FloatArray:
    """(H, W, C) values smoothed where they are known, and carried on from nearby where they are not.

    From coarse to fine, each finer average believed as far as it rests on something known.
    """
    weight = known.astype(np.float32)
    held = np.where(known[..., None], values, 0).astype(np.float32)
    sigma, found = _FAR_SPOTS, np.zeros_like(held)
    layers = cv2.merge([weight, *cv2.split(held)])
    while sigma >= _NEAR_SPOTS:
        share, mean = np.split(_blurred(layers, sigma), [1], axis=2)
        mean = mean / np.maximum(share, 1e-3)
        trust = np.clip(share * 2.5, 0, 1)
        found = found * (1 - trust) + mean * trust
        sigma /= 2
    return np.asarray(found)


def _blurred(image: FloatArray, sigma: float) -> FloatArray:
    """(H, W, C) blurred, in no more pixels than that width needs."""
    times = int(max(1, sigma // _NEAR_SPOTS // 2))
    room = [(0, -side % times) for side in image.shape[:2]]
    padded = np.pad(image, (*room, (0, 0)), mode="edge")
    size = (padded.shape[1] // times, padded.shape[0] // times)
    small = cv2.resize(padded, size, interpolation=cv2.INTER_AREA)
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / times), padded.shape[1::-1])
    return np.asarray(wide[: image.shape[0], : image.shape[1]])
