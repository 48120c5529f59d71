"""Which of the sheet's markers are seen in a photograph, and where are their corners?"""

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from pipeline.derive.smear.arrays import Matrix, PixelArray
from pipeline.derive.smear.sheet import dictionary

MARKERS_LEAST: Final = 3  # that make a sheet
_ALL: Final = 8  # of a sheet
_HALVED_PX: Final = 1600  # long side from which they are first looked for at half the size
_WINDOWS_PX: Final = (13, 33, 53)  # in which a marker's black is told from its white
_MODULES: Final = 7  # a marker's side, its border included


def find_markers(grey: PixelArray) -> dict[int, Matrix]:
    """(4, 2) [px] corners of each marker by its number, also where the picture is mirrored. grey : (H, W)"""
    if max(grey.shape) < _HALVED_PX:
        return _at_full(grey, _WINDOWS_PX)
    found = _at_half(grey)
    # A sheet that is small in the picture is looked for in all its pixels; its large markers were found.
    return found if len(found) >= _ALL else _at_full(grey, _WINDOWS_PX[:2]) | found


def _at_full(grey: PixelArray, windows_px: tuple[int, ...]) -> dict[int, Matrix]:
    """Markers found in all pixels, also where the picture is mirrored."""
    detector = _detector(windows_px)
    corners, numbers, unread = detector.detectMarkers(grey)
    if numbers is None and len(unread) >= MARKERS_LEAST:
        # A phone's front camera stores what a mirror shows: squares without a number are read the other way.
        corners, numbers, _ = detector.detectMarkers(np.ascontiguousarray(grey[:, ::-1]))
        corners = [np.array([grey.shape[1] - 1, 0]) + c * np.array([-1, 1]) for c in corners]
    return _by_number(corners, numbers)


def _at_half(grey: PixelArray) -> dict[int, Matrix]:
    """Markers found in a quarter of the pixels, their corners then placed in all of them."""
    small = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    corners, numbers, _ = _detector(tuple(px // 2 for px in _WINDOWS_PX)).detectMarkers(small)
    found = _by_number(corners, numbers)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.01)
    for four in found.values():
        four[:] = (four + 0.5) * 2 - 0.5
        module = np.linalg.norm(four - np.roll(four, 1, axis=0), axis=1).min() / _MODULES
        # As far as the border is wide, lest a module inside it draw the corner off.
        reach = int(np.clip(round(0.55 * module), 2, 8))
        there = np.ascontiguousarray(four, np.float32).reshape(4, 1, 2)
        four[:] = cv2.cornerSubPix(grey, there, (reach, reach), (-1, -1), stop).reshape(4, 2)
    return found


def _detector(windows_px: tuple[int, ...]) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.adaptiveThreshWinSizeMin = windows_px[0]
    parameters.adaptiveThreshWinSizeMax = windows_px[-1]
    parameters.adaptiveThreshWinSizeStep = windows_px[1] - windows_px[0]
    return cv2.aruco.ArucoDetector(dictionary(), parameters)


def _by_number(corners: Sequence[Matrix], numbers: Matrix | None) -> dict[int, Matrix]:
    if numbers is None:
        return {}
    return {int(n): np.array(c, np.float64)[0] for n, c in zip(numbers.ravel(), corners, strict=True)}
