"""What does the sheet's code say? Sheet number, site and pump, read where the page says the code must be.

A module is half a millimetre, two pixels of a common photograph and fewer of a small one: too few for a
reader that must first find the code. Here the page is known to a fraction of a module, so each module is
looked at by itself; the code's own corner marks and rulers tell how many there are and how far the page is
off. What was seen is then drawn clean and decoded.
"""

from collections.abc import Iterator
from functools import cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.derive.smear.arrays import BoolArray, FloatArray, PixelArray, eight_bit
from pipeline.derive.smear.find import Sheet
from pipeline.derive.smear.sheet import Rect, parse_qr

_PX_PER_MM: Final = 10.0
_QUIET_MM: Final = 2.5
_VERSIONS: Final = range(21, 46, 4)  # modules a side: as many as the longest names need
# Where the code may lie instead [mm]: a folded sheet never lies quite flat, and a wide lens bends its edges.
_SHIFTS_MM: Final = 0.3 * np.array([(x, y) for x in range(-4, 5) for y in range(-4, 5)], np.float32)
_NEAR_MM: Final = 0.1 * np.array([(x, y) for x in range(-2, 3) for y in range(-2, 3)], np.float32)
_LIKE_LEAST: Final = 0.35  # correlation with the marks below which no code stands there
_INKED_LEAST: Final = 0.12  # spread of the grey over its mean: a sheet without a number has none
_SHARPER: Final = (0.0, 0.5, 1.0)  # how much of the neighbours' light is taken off a module
_LARGER: Final = 3
_CLEAN_PX: Final = 8
_MARK: Final = 7


def read_code(rgb: PixelArray, sheet: Sheet) -> tuple[str, str, str] | None:
    """(sheet number, site, pump) from the first of the sheet's codes that can be read; None if none can.

    rgb : (H, W, 3) the photograph in which the sheet was found
    """
    patches = [(_patch(rgb, sheet, rect), rect) for rect in sheet.geometry.codes]
    patches = [(patch, rect) for patch, rect in patches if patch.std() > _INKED_LEAST * patch.mean()]
    for patch, rect in patches:
        for modules in _modules(patch, rect):
            for sharper in _SHARPER:
                found = parse_qr(_decoded(_inked(modules, sharper)))
                if found is not None:
                    return found
    # A code that a wide lens has stretched, or a buckle bent, is left to a reader that finds it anew.
    for patch, _ in patches:
        found = parse_qr(_found(patch))
        if found is not None:
            return found
    return None


def _patch(rgb: PixelArray, sheet: Sheet, rect: Rect) -> FloatArray:
    """(H, W) the code with its quiet zone, upright, grey, _PX_PER_MM."""
    left, top, right, _ = rect
    side = round((right - left + 2 * _QUIET_MM) * _PX_PER_MM)
    scale = 1 / _PX_PER_MM
    to_page = np.array([[scale, 0, left - _QUIET_MM], [0, scale, top - _QUIET_MM], [0, 0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture = cv2.warpPerspective(eight_bit(rgb), sheet.to_photo @ to_page, (side, side), flags=flags)
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), np.float32)


def _modules(patch: FloatArray, rect: Rect) -> Iterator[FloatArray]:
    """(N, N) brightness of each module, for the two likeliest numbers of modules."""
    side_mm = rect[2] - rect[0]
    best = []
    for n in _VERSIONS:
        coarse, _ = _likest_shift(patch, side_mm, n, _SHIFTS_MM)
        shift, like = _likest_shift(patch, side_mm, n, coarse + _NEAR_MM)
        best.append((like, n, shift))
    for like, n, shift in sorted(best, key=lambda one: -one[0])[:2]:
        if like > _LIKE_LEAST:
            yield _sampled(patch, *_grid(patch, side_mm, n, shift))


def _likest_shift(patch: FloatArray, side_mm: float, n: int, shifts: FloatArray) -> tuple[FloatArray, float]:
    """The shift [mm] under which the modules that are the same in every code are most like what they must be,
    and their correlation with it. shifts : (S, 2) [mm]
    """
    where, white = _marks(n)
    x, y = _grid(patch, side_mm, n, np.zeros(2))
    xs, ys = (one[where][None] + shifts[:, k, None] * _PX_PER_MM for k, one in enumerate((x, y)))
    seen = _sampled(patch, xs, ys)
    seen = seen - seen.mean(axis=1, keepdims=True)
    spread = np.sqrt((seen**2).sum(axis=1) * float(white @ white))
    like = seen @ white / np.maximum(spread, 1e-6)
    first = int(np.argmax(like))
    return shifts[first], float(like[first])


def _grid(patch: FloatArray, side_mm: float, n: int, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(N, N) x and y [px] of each module's middle on the patch. shift : (2,) [mm]"""
    at = len(patch) / 2 + ((np.arange(n) + 0.5) / n - 0.5) * side_mm * _PX_PER_MM - 0.5
    x, y = np.meshgrid(at + shift[0] * _PX_PER_MM, at + shift[1] * _PX_PER_MM)
    return x, y


def _sampled(patch: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    x, y = x.astype(np.float32), y.astype(np.float32)
    return np.asarray(cv2.remap(patch, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


@cache
def _marks(n: int) -> tuple[BoolArray, FloatArray]:
    """Where the corner marks and the rulers between them lie, and how bright each module is, mean nought.

    Source: ISO/IEC 18004, finder and timing patterns.
    """
    white = np.full((n, n), np.nan, np.float32)
    ruler = (np.arange(n) % 2).astype(np.float32)
    white[6], white[:, 6] = ruler, ruler
    mark = np.ones((_MARK + 2, _MARK + 2), np.float32)
    mark[1:-1, 1:-1] = 0
    mark[2:-2, 2:-2] = 1
    mark[3:-3, 3:-3] = 0
    white[: _MARK + 1, : _MARK + 1] = mark[1:, 1:]
    white[: _MARK + 1, -_MARK - 1 :] = mark[1:, :-1]
    white[-_MARK - 1 :, : _MARK + 1] = mark[:-1, 1:]
    where = np.isfinite(white)
    return where, white[where] - white[where].mean()


def _inked(modules: FloatArray, sharper: float) -> NDArray[np.uint8]:
    """(N, N) 0 or 255. sharper : share of the mean neighbour's difference that is added."""
    around = cv2.blur(modules, (3, 3), borderType=cv2.BORDER_REPLICATE)
    crisp = np.clip(modules + sharper * (modules - around), 0, 255).astype(np.uint8)
    return np.asarray(cv2.threshold(crisp, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1], np.uint8)


def _decoded(inked: NDArray[np.uint8]) -> str:
    """The text of a clean code; empty where it can't be read."""
    size = ((len(inked) + 8) * _CLEAN_PX,) * 2
    clean = cv2.resize(
        np.pad(inked, 4, constant_values=255).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST
    )
    near, far = 4 * _CLEAN_PX, (4 + len(inked)) * _CLEAN_PX - 1
    corners = np.array([[(near, near), (far, near), (far, far), (near, far)]], np.float32)
    try:
        return str(cv2.QRCodeDetector().decode(clean, corners)[0])
    except cv2.error:  # it divides by what it finds
        return ""


def _found(patch: FloatArray) -> str:
    """The text of a code anywhere on the patch; empty where there is none to be read."""
    large = cv2.resize(patch, None, fx=_LARGER, fy=_LARGER, interpolation=cv2.INTER_LINEAR)
    blurred = cv2.GaussianBlur(large, (0, 0), 0.35 * _LARGER * _PX_PER_MM)
    sharp = np.clip(2.5 * large - 1.5 * blurred, 0, 255).astype(np.uint8)
    inked = cv2.threshold(sharp, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1]
    try:
        return str(cv2.QRCodeDetector().detectAndDecode(inked)[0])
    except cv2.error:  # it divides by what it finds
        return ""
