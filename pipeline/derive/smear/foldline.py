"""Which straight lines may be a film's fold? Coarse, from outline and streaks together."""

from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import BoolArray, FloatArray, Matrix
from pipeline.derive.smear.likeness import Likeness

_STRIPS: Final = 15  # on either side of a line, to the film's farthest spot
_COARSE_PX: Final = 80  # long side of the film in the search
_APART_DEG: Final = 25.0
_LINES_TRIED: Final = 3
_ANGLES: Final = np.deg2rad(np.arange(0, 180, 4.0))
# A figure's mirror lines run through its centre, but for what perspective and a ragged rim do to it.
_SHIFTS: Final = (0.0, -1.8, 1.8, -3.6, 3.6, -5.4, 5.4)
_CLOSER: Final = (2.0, 1.0, 0.5)  # steps [deg], and half of that in pixels
_SPOTS: Final = 1_000  # of the film, as many tell lines apart that are so far apart


def reflections(lines: Matrix) -> Matrix:
    """(N, 3, 3) reflections about lines x cos(angle) + y sin(angle) = offset. lines : (N, 2) angle, offset"""
    angle, offset = np.asarray(lines, np.float64).T
    c, s = np.cos(2 * angle), np.sin(2 * angle)
    maps = np.zeros((len(angle), 3, 3))
    maps[:, 0, 0], maps[:, 0, 1], maps[:, 1, 0], maps[:, 1, 1] = -c, -s, -s, c
    maps[:, 0, 2], maps[:, 1, 2] = 2 * offset * np.cos(angle), 2 * offset * np.sin(angle)
    maps[:, 2, 2] = 1
    return maps


def waists(mask: BoolArray, lines: Matrix) -> FloatArray:
    """(N,) by what share the film is narrower on a line than it is on either side of it, 0 to 1.

    mask : (H, W), the film; lines : (N, 2) angle [rad] and offset [px]
    A notch that lies on a line about which the film is its own mirror image is where its wings meet.
    """
    y, x = np.nonzero(mask[::2, ::2])
    found = []
    for angle, offset in lines:
        beyond = 2 * (x * np.cos(angle) + y * np.sin(angle)) - offset
        edges = np.linspace(-1, 1, 2 * _STRIPS + 2) * np.abs(beyond).max()
        wide, _ = np.histogram(beyond, edges)
        beside = min(wide[:_STRIPS].max(), wide[_STRIPS + 1 :].max())
        found.append(max(0.0, 1 - wide[_STRIPS] / max(1, beside)))
    return np.array(found)


def likely_lines(shade: FloatArray, streaks: FloatArray, mask: BoolArray) -> Matrix:
    """(N, 2) angle [rad] and offset [px] of the lines that may be the fold, the likeliest first.

    shade : (H, W) the film's markings; streaks : (H, W) what stands out of its relief
    mask : (H, W), the film
    The best line and the best of those that run quite another way: coarse, and before the wings are
    registered, a film seen at a tilt may look more like its own mirror image about a wrong one.
    """
    shrink = _COARSE_PX / max(mask.shape)
    size = (round(mask.shape[1] * shrink), round(mask.shape[0] * shrink))
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
    # Room around, so that a turned film is not cut off.
    film = np.pad(small, _COARSE_PX // 4)
    flat, marked = (
        np.pad(
            cv2.GaussianBlur(cv2.resize(image, size, interpolation=cv2.INTER_AREA), (0, 0), 1.5),
            _COARSE_PX // 4,
        )
        for image in (shade, streaks)
    )
    whole, thinned = Likeness(film, flat, marked), Likeness(film, flat, marked, _SPOTS)

    def worth(of: Likeness, lines: Matrix) -> FloatArray:
        """lines : (N, 2) angle, and how far from the centre they run"""
        across = np.stack([np.cos(lines[:, 0]), np.sin(lines[:, 0])], axis=1) @ whole.centre
        return of.worth(reflections(np.stack([lines[:, 0], across + lines[:, 1]], axis=1)))

    lines = np.array([(angle, shift) for angle in _ANGLES for shift in _SHIFTS])
    worths = worth(thinned, lines)
    best: list[Matrix] = []
    while len(lines) and len(best) < _LINES_TRIED:
        best.append(lines[np.argmax(worths)])
        apart = np.abs(np.sin(lines[:, 0] - best[-1][0])) > np.sin(np.deg2rad(_APART_DEG))
        lines, worths = lines[apart], worths[apart]
    chosen = np.array(best)
    for step in _CLOSER:
        near = np.array([(np.deg2rad(d), s) for d in (-step, 0, step) for s in (-step / 2, 0, step / 2)])
        tried = chosen[:, None] + near
        tops = worth(whole, tried.reshape(-1, 2)).reshape(len(chosen), -1).argmax(axis=1)
        chosen = tried[np.arange(len(chosen)), tops]
    # Pixel centres: coarse pixel i stands for fine pixels around (i + 0.5) / shrink - 0.5.
    middle = (whole.centre - _COARSE_PX // 4 + 0.5) / shrink - 0.5
    across = np.stack([np.cos(chosen[:, 0]), np.sin(chosen[:, 0])], axis=1) @ middle
    return np.stack([chosen[:, 0], across + chosen[:, 1] / shrink], axis=1)
