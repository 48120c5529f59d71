"""How does a photograph's file become an array? Bytes in, upright RGB pixels out, or one sentence why not.

Reads the header before it decodes, so that a file that claims to be enormous costs nothing, and decodes a
large JPEG at half or quarter size, which libjpeg does in a fraction of the time: the measurement needs a few
pixels per millimetre, not the camera's twelve.
"""

import io
import warnings
import zlib
from pathlib import Path
from typing import Final, NamedTuple

import cv2
import numpy as np
from PIL import Image, UnidentifiedImageError

from edge.errors import InputError
from pipeline.derive.smear.arrays import PixelArray, full_scale
from pipeline.derive.smear.overlay import draw_overlay
from pipeline.derive.smear.results import Material, SmearLimits, SmearScore
from pipeline.derive.smear.score import conclude, look

BYTES_MAX: Final = 200 * 1024 * 1024
PIXELS_MAX: Final = 120_000_000
SIDE_MIN: Final = 64
# A long side at or above this can be halved and still shows 5 px/mm on a sheet that fills the picture.
_ENOUGH_PX: Final = 1900
_FORMATS: Final = ("JPEG", "PNG", "TIFF", "WEBP", "BMP")
_HEIC_BRANDS: Final = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1")
_PNG_HEAD: Final = b"\x89PNG\r\n\x1a\n"
_EXIF_ORIENTATION: Final = 0x0112
_JPEG_HEAD: Final = b"\xff\xd8\xff"
_PNG_DEPTH_AT: Final = 24


class Photo(NamedTuple):
    """A photograph, upright.

    rgb : (H, W, 3) sRGB, uint8 or uint16
    reduced : by how much each side was divided in decoding
    """

    rgb: PixelArray
    reduced: int


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
    photo = decode_photo(data, where)
    seen = look(photo.rgb, limits)
    score = conclude(seen, limits, material)
    picture = cv2.cvtColor(draw_overlay(photo.rgb, seen, score, captioned=captioned), cv2.COLOR_RGB2BGR)
    _, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return score, jpeg.tobytes()


def score_bytes(
    data: bytes, limits: SmearLimits | None = None, material: Material | None = None, where: str = "photo"
) -> SmearScore:
    """Verdict on a photograph's bytes, without a picture. Raises InputError as `score_photo` does."""
    limits = limits or SmearLimits()
    return conclude(look(decode_photo(data, where).rgb, limits), limits, material)


def read_photo_file(path: Path) -> bytes:
    """A file's bytes. Raises InputError if it can't be read or is too large to be a photograph."""
    where = str(path)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError("a folder, not a photograph", where=where, do="name the photographs in it")
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


def decode_photo(data: bytes, where: str = "photo") -> Photo:
    """Upright pixels of a photograph's bytes. Raises InputError: empty, damaged, too large, unknown."""
    if not data:
        raise InputError("an empty file", where=where, do="send the photograph again")
    kind, (width, height), turn = _header(data, where)
    if width * height > PIXELS_MAX or max(width, height) > 50_000:
        raise InputError(
            f"claims {width} x {height} pixels, over {PIXELS_MAX // 1_000_000} million are refused",
            where=where,
            do="export it smaller",
        )
    if min(width, height) < SIDE_MIN:
        raise InputError(
            f"only {width} x {height} pixels", where=where, do="send the photograph itself, not a thumbnail"
        )
    if kind == "PNG" and data[_PNG_DEPTH_AT] == 16:
        rgb = _decode_deep(data, where)
    else:
        rgb = _decode_by_pillow(data, where)
    rgb = _upright(_halved(rgb), turn)
    return Photo(rgb, max(1, round(max(width, height) / max(rgb.shape))))


def _header(data: bytes, where: str) -> tuple[str, tuple[int, int], int]:
    """Format, size and EXIF orientation, without decoding."""
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        raise InputError(
            "a HEIC photograph, which can't be read here", where=where, do="set the phone to save JPEG"
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
                turn = image.getexif().get(_EXIF_ORIENTATION, 1)
                return str(image.format), image.size, turn if turn in range(1, 9) else 1
    except Image.DecompressionBombError:
        raise InputError(
            f"claims more pixels than the {PIXELS_MAX // 1_000_000} million allowed",
            where=where,
            do="export it smaller",
        ) from None
    except UnidentifiedImageError:
        if data.startswith((_PNG_HEAD, _JPEG_HEAD)):
            raise _damaged(where) from None
        raise InputError(
            "not a photograph in JPEG, PNG, TIFF, WebP or BMP", where=where, do="send the photograph as JPEG"
        ) from None
    except Exception:  # a damaged header makes Pillow raise almost anything
        raise _damaged(where) from None


def _damaged(where: str) -> InputError:
    return InputError(
        "the file is damaged or cut short", where=where, do="send it again or take the photograph again"
    )


def _require_whole_png(data: bytes, where: str) -> None:
    at = len(_PNG_HEAD)
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        body = data[at + 4 : at + 8 + length]
        if zlib.crc32(body) != int.from_bytes(data[at + 8 + length : at + 12 + length], "big"):
            break
        if body[:4] == b"IEND":
            return
        at += 12 + length
    raise _damaged(where)


def _decode_deep(data: bytes, where: str) -> PixelArray:
    """A 16-bit PNG with all its bits; grey becomes RGB, transparency is laid on white."""
    _require_whole_png(data, where)  # OpenCV fills a cut file with black and says nothing
    try:
        image = cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
        )
    except cv2.error:
        image = None
    if image is None or image.dtype not in (np.uint8, np.uint16):
        raise _damaged(where)
    full = full_scale(image)
    channels = 1 if image.ndim == 2 else image.shape[2]
    if channels in (2, 4):
        alpha = image[..., -1:].astype(np.float32) / full
        image = (image[..., :-1] * alpha + full * (1 - alpha)).round().astype(image.dtype)
        channels -= 1
    if channels == 1:
        return np.repeat(image.reshape(*image.shape[:2], 1), 3, axis=2)
    return np.ascontiguousarray(image[..., ::-1])


def _decode_by_pillow(data: bytes, where: str) -> PixelArray:
    """Anything else, a large JPEG at half or quarter size; Pillow tells of a file that is cut short."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
                enough = _ENOUGH_PX / max(image.size)
                image.draft(None, (round(image.width * enough), round(image.height * enough)))
                if image.mode.startswith("I;16"):
                    return np.repeat(np.asarray(image, np.uint16)[..., None], 3, axis=2)
                if image.has_transparency_data:
                    flat = Image.new("RGBA", image.size, "white")
                    return np.array(Image.alpha_composite(flat, image.convert("RGBA")).convert("RGB"))
                rgb = np.array(image.convert("RGB"))
    except Exception:  # Pillow raises almost anything on damaged data
        raise _damaged(where) from None
    # A JPEG cut in transfer and closed again decodes to exact mid grey from the cut on.
    if (rgb[-max(8, len(rgb) // 50) :] == 128).all():
        raise _damaged(where)
    return rgb


def _halved(rgb: PixelArray) -> PixelArray:
    """The picture at half size, or a quarter, as long as enough is left: PNG and others come whole."""
    times = 1
    while max(rgb.shape) // (times * 2) >= _ENOUGH_PX:
        times *= 2
    if times == 1:
        return rgb
    size = (rgb.shape[1] // times, rgb.shape[0] // times)
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))


def _upright(rgb: PixelArray, turn: int) -> PixelArray:
    """The picture as EXIF orientation 1 to 8 says it is to be seen."""
    if turn in (5, 6, 7, 8):
        rgb = rgb.swapaxes(0, 1)
    if turn in (2, 3, 6, 7):
        rgb = rgb[:, ::-1]
    if turn in (3, 4, 7, 8):
        rgb = rgb[::-1]
    return np.ascontiguousarray(rgb)
