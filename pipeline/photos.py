"""What is the verdict on a photograph's file? From bytes to a score, and a picture of what was measured."""

import os
import stat
from pathlib import Path
from typing import Final

import cv2
from msgspec.structs import replace

from edge.errors import InputError
from pipeline.derive.smear.overlay import draw_overlay
from pipeline.derive.smear.results import Material, SmearLimits, SmearScore
from pipeline.derive.smear.score import look
from pipeline.derive.smear.seen import Seen
from pipeline.derive.smear.verdict import conclude
from pipeline.imagefile import Photo, decode_photo

BYTES_MAX: Final = 200 * 1024 * 1024
# A sheet that fills little of the picture is looked at again in all the pixels there are.
_FEW_PX_PER_MM: Final = 3.2


def score_photo(
    data: bytes,
    limits: SmearLimits | None = None,
    material: Material | None = None,
    where: str = "photo",
    *,
    captioned: bool = True,
) -> tuple[SmearScore, bytes]:
    """Verdict on a photograph's bytes, and a JPEG that shows what was measured.

    captioned : the JPEG carries the verdict and its reasons above the picture

    Raises InputError if the bytes are no photograph that can be read.
    """
    limits = limits or SmearLimits()
    photo, seen = _looked_at(data, limits, where)
    score = _as_taken(conclude(seen, limits, material), photo)
    picture = cv2.cvtColor(draw_overlay(photo.rgb, seen, score, captioned=captioned), cv2.COLOR_RGB2BGR)
    _, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return score, jpeg.tobytes()


def score_bytes(
    data: bytes, limits: SmearLimits | None = None, material: Material | None = None, where: str = "photo"
) -> SmearScore:
    """Verdict on a photograph's bytes, without a picture. Raises InputError as `score_photo` does."""
    limits = limits or SmearLimits()
    photo, seen = _looked_at(data, limits, where)
    return _as_taken(conclude(seen, limits, material), photo)


def shown(path: Path) -> str:
    """A file's name as one line of text, whatever bytes it is made of."""
    text = os.fsencode(path).decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def read_photo_file(path: Path) -> bytes:
    """A file's bytes. Raises InputError if it can't be read or is too large to be a photograph."""
    where = shown(path)
    try:
        mode, size = path.stat().st_mode, path.stat().st_size
        if stat.S_ISDIR(mode):
            raise InputError("a folder, not a photograph", where=where, do="name the photographs in it")
        if not stat.S_ISREG(mode):
            # A pipe or a device may have no end.
            raise InputError("no plain file", where=where, do="save the photograph to a file first")
        if size > BYTES_MAX:
            raise InputError(
                f"{size} bytes are more than the {BYTES_MAX} allowed", where=where, do="export it smaller"
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError("no such file", where=where, do="check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"cannot be read ({reason})", where=where, do="check the file") from None


def _looked_at(data: bytes, limits: SmearLimits, where: str) -> tuple[Photo, Seen]:
    photo = decode_photo(data, where)
    seen = look(photo.rgb, limits)
    sheet = seen.canvas.sheet if seen.canvas else None
    if photo.reduced > 1 and sheet and sheet.px_per_mm < _FEW_PX_PER_MM:
        enough = round(max(photo.rgb.shape) * _FEW_PX_PER_MM / sheet.px_per_mm)
        photo = decode_photo(data, where, enough_px=enough)
        seen = look(photo.rgb, limits)
    return photo, seen


def _as_taken(score: SmearScore, photo: Photo) -> SmearScore:
    """The score with its resolution in the camera's own pixels."""
    if score.px_per_mm is None or photo.reduced == 1:
        return score
    return replace(score, px_per_mm=score.px_per_mm * photo.reduced)
