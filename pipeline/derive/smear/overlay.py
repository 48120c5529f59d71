"""What did the scorer see? The picture with film, fold, streaks and all that was left out drawn on it.

Shapes and words carry the meaning, colour only helps: the film's outline is solid, the fold dashed, streaks
are ringed and numbered, specks stand in squares, what was left out is hatched or crossed out and named.
"""

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pipeline.derive.smear.arrays import BoolArray, PixelArray, eight_bit
from pipeline.derive.smear.results import SmearScore
from pipeline.derive.smear.seen import Seen, Wings

_OUTLINE: Final = (0, 110, 230)
_FOLD: Final = (20, 20, 20)
_STREAK: Final = (200, 30, 60)
_LEFT_OUT: Final = (170, 110, 0)
_STREAKS_SHOWN: Final = 12
_SPECKS_SHOWN: Final = 40
_LONG_PX: Final = 1200
_NAMED_MM2: Final = 20.0  # smaller, and the word hides more than it tells
_WORDS: Final = {"pass": "PASS", "fail": "FAIL", "retake": "TAKE AGAIN"}

Image8 = NDArray[np.uint8]


def draw_overlay(rgb: PixelArray, seen: Seen, score: SmearScore, *, captioned: bool = True) -> Image8:
    """(H, W, 3) uint8 picture of what was measured.

    rgb : the photograph, shown where no canvas was found
    captioned : verdict, reasons and legend above it; not where a page says them in its own words
    """
    picture = eight_bit(seen.canvas.rgb if seen.canvas else _shrunk(rgb)).copy()
    if seen.film is not None and seen.white is None:
        _hatch(picture, seen.film.mask & ~seen.film.core)
        _outline(picture, seen.film.mask, _OUTLINE, 2)
    if seen.wings is not None:
        _draw_fold(picture, seen.wings)
        _draw_streaks(picture, seen.wings)
        _draw_specks(picture, seen.wings)
        for mask, words in _crossed_out(seen.wings):
            _cross_out(picture, mask, seen.wings, words)
    if seen.white is not None:
        _outline(picture, seen.white, _OUTLINE, 2)
        _write(picture, "NO CURING AGENT", _middle(seen.white))
    return _captioned(Image.fromarray(picture), seen, score) if captioned else picture


def _shrunk(rgb: PixelArray) -> PixelArray:
    shrink = min(1.0, _LONG_PX / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * shrink)), max(1, round(rgb.shape[0] * shrink)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))


def _hatch(picture: Image8, mask: BoolArray) -> None:
    y, x = np.nonzero(mask)
    on = (x + y) % 8 < 2
    picture[y[on], x[on]] = _LEFT_OUT


def _outline(picture: Image8, mask: BoolArray, colour: tuple[int, int, int], width: int) -> None:
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(picture, outlines, -1, colour, width, cv2.LINE_AA)


def _draw_fold(picture: Image8, wings: Wings) -> None:
    c, s = np.cos(wings.fold.angle), np.sin(wings.fold.angle)
    middle = np.array([c, s]) * wings.fold.offset + wings.at
    along = np.array([-s, c])
    # The line's nearest point to the crop's origin may lie far off: slide to the picture's middle.
    centre = np.array(picture.shape[1::-1]) / 2
    middle = middle + along * float((centre - middle) @ along)
    reach = max(picture.shape)
    for at in np.arange(-reach, reach, 24.0):
        a, b = middle + along * at, middle + along * (at + 12)
        cv2.line(picture, _pixel(a), _pixel(b), _FOLD, 1, cv2.LINE_AA)


def _draw_streaks(picture: Image8, wings: Wings) -> None:
    for number, streak in enumerate(wings.streaks[:_STREAKS_SHOWN], 1):
        opposite = cv2.perspectiveTransform(streak.outline[None].astype(np.float64), wings.fold.to_mirror)[0]
        for ring in (streak.outline, opposite):
            line = np.round(ring + wings.at).astype(np.int32)
            cv2.polylines(picture, [line], True, _STREAK, 1, cv2.LINE_AA)
            x, y = line[line[:, 1].argmin()]
            _write(picture, str(number), (int(x), int(y) - 8), _STREAK)


def _draw_specks(picture: Image8, wings: Wings) -> None:
    """A square around each speck, on both wings."""
    for speck in wings.specks[:_SPECKS_SHOWN]:
        here = np.array([[(speck.x, speck.y)]], np.float64)
        half = round(max(6.0, speck.diameter))
        for spot in (here, cv2.perspectiveTransform(here, wings.fold.to_mirror)):
            x, y = _pixel(spot[0, 0] + wings.at)
            cv2.rectangle(picture, (x - half, y - half), (x + half, y + half), _STREAK, 1, cv2.LINE_AA)


def _crossed_out(wings: Wings) -> list[tuple[BoolArray, str]]:
    """What is white and was left out, with what it is called."""
    found = [(wings.torn, "torn off")]
    if wings.strip is not None:
        found.append((wings.strip.mask, "bare paper" if wings.strip.paper else "bare paper or base"))
    return [(mask, words) for mask, words in found if mask.any()]


def _cross_out(picture: Image8, mask: BoolArray, wings: Wings, words: str) -> None:
    """Crosses on a mask of the film's crop, and a word on its largest part if that has room for one."""
    left, top = wings.at
    whole = np.zeros(picture.shape[:2], np.uint8)
    whole[top : top + mask.shape[0], left : left + mask.shape[1]] = mask
    y, x = np.nonzero(whole)
    on = ((x + y) % 12 < 2) | ((x - y) % 12 < 2)
    picture[y[on], x[on]] = _LEFT_OUT
    _, labels, stats, _ = cv2.connectedComponentsWithStats(whole)
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    if stats[largest, cv2.CC_STAT_AREA] > _NAMED_MM2 * wings.px_per_mm**2:
        _write(picture, words, _middle(labels == largest))


def _middle(mask: BoolArray) -> tuple[int, int]:
    y, x = np.nonzero(mask)
    return int(x.mean()), int(y.mean())


def _write(picture: Image8, words: str, at: tuple[int, int], colour: tuple[int, int, int] = _FOLD) -> None:
    """Words centred on a place, with a light rim."""
    image = Image.fromarray(picture)
    ImageDraw.Draw(image).text(
        at, words, colour, ImageFont.load_default(16), anchor="mm", stroke_width=2, stroke_fill="white"
    )
    picture[:] = np.asarray(image)


def _pixel(point: NDArray[np.float64]) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _captioned(image: Image.Image, seen: Seen, score: SmearScore) -> Image8:
    size = max(15, image.width // 60)
    font = ImageFont.load_default(size)
    pen = ImageDraw.Draw(image)
    lines = [f"{_WORDS[score.verdict]}  {_figures(score)}"]
    for reason in score.reasons:
        lines += _wrapped(pen, reason, font, image.width - 2 * size)
    if drawn := marks(seen, score):
        lines += _wrapped(pen, drawn, font, image.width - 2 * size)
    step = round(size * 1.35)
    page = Image.new("RGB", (image.width, image.height + step * len(lines) + size), "white")
    page.paste(image, (0, step * len(lines) + size))
    pen = ImageDraw.Draw(page)
    for n, line in enumerate(lines):
        pen.text((size, size // 2 + n * step), line, fill=0, font=font)
    return np.array(page)


def marks(seen: Seen, score: SmearScore) -> str:
    """What each mark drawn on the photograph means; nothing where none is drawn."""
    if seen.white is not None:
        return "solid line: rough as a film, white as the paper"
    if seen.film is None:
        return ""
    said = ["solid line: film", "hatched: thin rim and air holes, left out", "dashed: fold"]
    said += ["ringed and numbered: streaks that both wings show"] if score.streaks else []
    said += ["squares: pale specks"] if score.specks else []
    said += [f"crossed out: {words}" for _, words in _crossed_out(seen.wings)] if seen.wings else []
    return "; ".join(said)


def _figures(score: SmearScore) -> str:
    parts = [] if score.cov is None else [f"variation {score.cov:.1%}"]
    if score.certainty is not None:
        parts.append(f"{min(score.certainty, 0.99):.0%} sure by the variation")
    if score.striation_mm is not None:
        parts.append(f"striations {score.striation_mm:.1f} mm")
    if score.sheet:
        parts.append(f"sheet {score.sheet}")
    return ", ".join(parts)


def _wrapped(
    pen: ImageDraw.ImageDraw, text: str, font: ImageFont.ImageFont | ImageFont.FreeTypeFont, width: int
) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and pen.textlength(longer, font=font) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
