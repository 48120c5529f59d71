"""What does the printed smear sheet look like? Its geometry in millimetres, and its drawing.

The page lies landscape with the fold line upright in its middle. Eight ArUco markers stand in the strips
along the two long edges: four in the corners, four beside the fold, so that a covered marker or two leave
enough to find the sheet, and each marker's number says which way up it lies and whether the page is A4 or
Letter. All of the page between the strips stays white for the film. Black and white, for an office printer.
"""

import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Page = Literal["a4", "letter"]
Rect = tuple[float, float, float, float]  # left, top, right, bottom [mm] from the page's top left corner

# ISO 216 and ANSI Y14.1, landscape [mm].
PAGE_MM: Final[dict[Page, tuple[float, float]]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
# Marker numbers of a page start here, so that the markers alone tell the pages apart.
_FIRST_MARKER: Final[dict[Page, int]] = {"a4": 0, "letter": 8}

MARGIN_MM: Final = 8.0  # office printers leave 4 to 6.35 mm blank
MARKER_MM: Final = 14.0  # 7 modules of 2 mm: 6 px each at the coarsest photo that can be judged
STRIP_MM: Final = MARGIN_MM + MARKER_MM
_INNER_MM: Final = 45.0  # from the fold to the near side of an inner marker
_GAP_MM: Final = 3.0
_STEP_MM: Final = 6.5
_BAR_MM: Final = 40.0

# Reflectance of the grey steps in linear light, as a share of the bare paper's.
GREY_STEPS: Final = (0.70, 0.45, 0.28, 0.17, 0.10, 0.05)

_QR_CAPITALS: Final = re.compile(r"[0-9A-Z $%*+\-./:]*")

# Below this the markers' 2 mm modules and the small print fall apart; above it the page is only slower.
DPI_MIN: Final = 72
DPI_MAX: Final = 1200
_FULL_DPI: Final = (
    500  # drawn at least this fine, then averaged down, so that edges stand to a tenth of a pixel
)

# Three blocks of small print in the upper strip: what to do, left and right of the fold, and the cautions.
STEPS_TEXT: Final = (
    "1  Lay a bead of mixed sealant along the fold.",
    "2  Fold, press to an even film, open.",
    "3  Lay flat in even light: no flash, no shadow.",
)
MORE_TEXT: Final = (
    "4  Photograph at once, straight from above,",
    "    the whole sheet in the picture, in focus.",
    "5  Write date, lots and operator below.",
)
CAUTION_TEXT: Final = (
    "Relieve pressure, then open the pump.",
    "Does not replace the sealant maker's",
    "procedures or the project specification.",
)


def dictionary() -> Any:
    """The ArUco dictionary of the sheet's markers: 5 x 5 bits, so that clutter is not read as one."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)


@dataclass(frozen=True)
class SheetGeometry:
    """Where everything stands on the page [mm], from its top left corner, x right, y down."""

    page: Page
    width: float
    height: float
    fold_x: float
    markers: dict[int, Rect]
    film_area: Rect
    grey_steps: tuple[tuple[Rect, float], ...]  # and each step's share of the paper's reflectance
    scale_bar: Rect
    codes: tuple[Rect, ...]  # two, so that one may be covered

    def marker_corners(self, number: int) -> NDArray[np.float64]:
        """(4, 2) [mm] corners of a marker in OpenCV's order: top left, then clockwise."""
        left, top, right, bottom = self.markers[number]
        return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])


@cache
def sheet_geometry(page: Page) -> SheetGeometry:
    """Geometry of the A4 or Letter sheet."""
    width, height = PAGE_MM[page]
    fold = width / 2
    near, far = MARGIN_MM, STRIP_MM
    lefts = (near, fold - _INNER_MM - MARKER_MM, fold + _INNER_MM, width - far)
    spots = [(left, top) for top in (near, height - far) for left in lefts]
    first = _FIRST_MARKER[page]
    markers = {first + n: (x, y, x + MARKER_MM, y + MARKER_MM) for n, (x, y) in enumerate(spots)}
    top = height - far
    steps_left = fold - _INNER_MM + _GAP_MM
    steps = tuple(
        ((steps_left + n * _STEP_MM, top, steps_left + (n + 1) * _STEP_MM, top + 8.0), share)
        for n, share in enumerate(GREY_STEPS)
    )
    bar_left = fold + _GAP_MM
    code_left = width - far - _GAP_MM - MARKER_MM
    return SheetGeometry(
        page=page,
        width=width,
        height=height,
        fold_x=fold,
        markers=markers,
        film_area=(0.0, far + _GAP_MM, width, height - far - _GAP_MM),
        grey_steps=steps,
        scale_bar=(bar_left, top + 3.0, bar_left + _BAR_MM, top + 6.0),
        codes=tuple((code_left, y, code_left + MARKER_MM, y + MARKER_MM) for y in (near, height - far)),
    )


def page_of_marker(number: int) -> Page | None:
    """The page a marker's number belongs to; None for a number that no sheet carries."""
    for page in PAGE_MM:
        if number in sheet_geometry(page).markers:
            return page
    return None


def qr_text(sheet_no: str, site: str, pump: str) -> str:
    """What the sheet's QR code says: capitals where that loses nothing, for they make a code of fewer, larger
    modules (ISO/IEC 18004, alphanumeric mode).
    """
    capitals = f"B:{sheet_no}:{site}:{pump}".upper()
    if _QR_CAPITALS.fullmatch(capitals) and parse_qr(capitals) == (sheet_no, site, pump):
        return capitals
    return f"beadbook:{sheet_no}:{site}:{pump}"


def parse_qr(text: str) -> tuple[str, str, str] | None:
    """(sheet number, site, pump) of a sheet's QR code; None if it is some other code."""
    parts = text.split(":")
    if len(parts) != 4 or parts[0] not in ("B", "beadbook"):
        return None
    _, sheet_no, site, pump = parts
    return (sheet_no, site.lower(), pump.lower()) if parts[0] == "B" else (sheet_no, site, pump)


def draw_sheet(
    page: Page, dpi: float, sheet_no: str = "", site: str = "", pump: str = ""
) -> NDArray[np.uint8]:
    """The sheet as it comes out of the printer.

    dpi : [pixels an inch], DPI_MIN to DPI_MAX
    sheet_no, site, pump : as printed and in the QR code; empty leaves lines to fill in by hand, and no code
    Returns (H, W) sRGB grey, 255 the bare paper.
    Raises ValueError for a resolution outside the limits.
    """
    if not DPI_MIN <= dpi <= DPI_MAX:
        raise ValueError(f"{dpi} dpi lies outside {DPI_MIN} to {DPI_MAX}")
    geometry = sheet_geometry(page)
    times = max(1, int(np.ceil(_FULL_DPI / dpi)))
    size = tuple(round(side / 25.4 * dpi) for side in (geometry.width, geometry.height))
    pen = _Pen(size[0] * times, size[1] * times, dpi * times / 25.4)
    _draw_markers(pen, geometry)
    _draw_fold(pen, geometry)
    _draw_words(pen, geometry, sheet_no, site, pump)
    _draw_steps(pen, geometry)
    _draw_scale(pen, geometry)
    for rect in geometry.codes if sheet_no else ():
        _draw_qr(pen, rect, qr_text(sheet_no, site, pump))
    full = np.asarray(pen.image)
    return full if times == 1 else np.asarray(cv2.resize(full, size, interpolation=cv2.INTER_AREA), np.uint8)


class _Pen:
    """Draws in millimetres on a white page."""

    def __init__(self, width: int, height: int, px_per_mm: float) -> None:
        self.image = Image.new("L", (width, height), 255)
        self._draw = ImageDraw.Draw(self.image)
        self._scale = px_per_mm

    def fill(self, rect: Rect, grey: int = 0) -> None:
        left, top, right, bottom = (round(edge * self._scale) for edge in rect)
        self._draw.rectangle((left, top, max(left, right - 1), max(top, bottom - 1)), fill=grey)

    def cells(self, rect: Rect, cells: NDArray[np.uint8]) -> None:
        """A square of black (0) and white cells."""
        side = (rect[2] - rect[0]) / len(cells)
        for row, column in np.argwhere(cells == 0):
            x, y = rect[0] + column * side, rect[1] + row * side
            self.fill((x, y, x + side, y + side))

    def text(self, x: float, y: float, text: str, size_mm: float, anchor: str = "la") -> None:
        font = ImageFont.load_default(size_mm * self._scale)
        self._draw.text((x * self._scale, y * self._scale), text, fill=0, font=font, anchor=anchor)


def _draw_markers(pen: _Pen, geometry: SheetGeometry) -> None:
    for number, rect in geometry.markers.items():
        bits = cv2.aruco.generateImageMarker(dictionary(), number, 7)
        pen.cells(rect, np.asarray(bits, np.uint8))


def _draw_fold(pen: _Pen, geometry: SheetGeometry) -> None:
    # Only in the strips: the film's area stays clean, and a line from end to end isn't needed to fold along.
    for top, bottom in ((0.0, STRIP_MM), (geometry.height - STRIP_MM, geometry.height)):
        pen.fill((geometry.fold_x - 0.15, top, geometry.fold_x + 0.15, bottom))


def _draw_words(pen: _Pen, geometry: SheetGeometry, sheet_no: str, site: str, pump: str) -> None:
    blank = "________"
    left, top, low = STRIP_MM + _GAP_MM, MARGIN_MM, geometry.height - STRIP_MM
    right = geometry.fold_x + _INNER_MM + MARKER_MM + _GAP_MM
    pen.text(left, top - 0.5, "SMEAR TEST", 5.0)
    pen.text(left, top + 6.0, f"Sheet {sheet_no or blank}", 3.2)
    pen.text(left, top + 10.2, f"{site or blank} / {pump or blank}", 3.2)
    small_print = (
        (geometry.fold_x - _INNER_MM + 1.5, STEPS_TEXT),
        (geometry.fold_x + 2.0, MORE_TEXT),
        (right - 1.0, CAUTION_TEXT),
    )
    for x, lines in small_print:
        for n, line in enumerate(lines):
            pen.text(x, top + 1.0 + 4.2 * n, line, 2.0)
    for x, fields in ((left, ("Date, time", "Operator")), (right, ("Base lot", "Agent lot"))):
        for n, name in enumerate(fields):
            y = low + 6.0 + 7.0 * n
            pen.text(x, y, name, 2.6, anchor="ls")
            pen.fill((x + 15.0, y, min(x + 42.0, geometry.codes[1][0] - _GAP_MM), y + 0.2))


def _draw_steps(pen: _Pen, geometry: SheetGeometry) -> None:
    for rect, share in geometry.grey_steps:
        pen.fill(rect, _srgb_grey(share))
        pen.text((rect[0] + rect[2]) / 2, rect[3] + 1.0, f"{share * 100:.0f}", 2.1, anchor="ma")
    left = geometry.grey_steps[0][0][0]
    pen.text(left, geometry.grey_steps[0][0][3] + 3.6, "grey steps, % of paper", 2.1)


def _draw_scale(pen: _Pen, geometry: SheetGeometry) -> None:
    left, top, right, bottom = geometry.scale_bar
    for n in range(4):
        pen.fill((left + 10.0 * n, top, left + 10.0 * (n + 1), bottom), 0 if n % 2 == 0 else 255)
    pen.fill((left, top, right, top + 0.2))
    pen.fill((left, bottom - 0.2, right, bottom))
    pen.fill((right - 0.2, top, right, bottom))
    pen.text(left, bottom + 1.0, "40 mm. Print at 100 %, not fitted.", 2.1)


def _draw_qr(pen: _Pen, rect: Rect, text: str) -> None:
    code = cv2.QRCodeEncoder.create().encode(text)
    dark = np.argwhere(code == 0)
    (top, left), (bottom, right) = dark.min(axis=0), dark.max(axis=0)
    pen.cells(rect, np.asarray(code[top : bottom + 1, left : right + 1], np.uint8))


def _srgb_grey(linear: float) -> int:
    """The 8-bit sRGB level of a linear reflectance. Source: IEC 61966-2-1."""
    return round(255 * (12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055))
