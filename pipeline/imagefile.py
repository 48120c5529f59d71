"""How does a photograph's file become an array? Bytes in, upright sRGB pixels out, or one sentence why not.

The header is read before anything is decoded, so that a file that claims to be enormous costs nothing. A
large JPEG is decoded at a half, quarter or eighth of its size, which libjpeg does in a fraction of the time:
the measurement needs a few pixels per millimetre, not the camera's twelve.
"""

import io
import zlib
from typing import Final, NamedTuple

import cv2
import numpy as np
from PIL import Image

from edge.errors import InputError
from pipeline import colourspace
from pipeline.colourspace import ColourError
from pipeline.derive.smear.arrays import PixelArray, eight_bit, full_scale
from pipeline.imageheader import FORMATS, PNG_HEAD, Header, damaged, quiet, read_header

# A long side at or above this can be halved and still shows 5 px/mm on a sheet that fills the picture.
ENOUGH_PX: Final = 1900
# A palette of 8 makes streaks of 10 % one even tone; of 16 no bad mix of 14 passed that should not.
_COLOURS_LEAST: Final = 64
_PNG_DEPTH_AT: Final = 24
_PNG_PIXELS: Final = (b"IHDR", b"PLTE", b"IDAT", b"tRNS", b"IEND")


class Photo(NamedTuple):
    """A photograph, upright.

    rgb : (H, W, 3) sRGB, uint8 or uint16
    reduced : by how much each side was divided in decoding
    """

    rgb: PixelArray
    reduced: int


def decode_photo(data: bytes, where: str = "photo", *, enough_px: int = ENOUGH_PX) -> Photo:
    """Upright sRGB pixels of a photograph's bytes.

    enough_px : the picture comes at a half, a quarter... of its size as long as its long side keeps this [px]
    Raises InputError: empty, damaged, too large, unknown, or colours that can't be told.
    """
    if not data:
        raise InputError("an empty file", where=where, do="send the photograph again")
    head = read_header(data, where)
    times = 1
    while max(head.size) // (times * 2) >= enough_px:
        times *= 2
    try:
        if head.kind == "PNG" and data[_PNG_DEPTH_AT] == 16:
            rgb = _in_srgb(_decode_deep(data, times, where), head)
        else:
            rgb = _decode_by_pillow(data, times, head, where)
    except ColourError as error:
        raise InputError(str(error), where=where, do="export it as sRGB JPEG") from None
    return Photo(_upright(rgb, head.turn), times)


def _picture_of_png(data: bytes, where: str) -> bytes:
    """The PNG with its pixels alone, checked to be whole: OpenCV fills a cut file with black and says
    nothing, but speaks to standard error itself of a note or a profile that it dislikes.
    """
    kept, at = PNG_HEAD, len(PNG_HEAD)
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        body = data[at + 4 : at + 8 + length]
        if zlib.crc32(body) != int.from_bytes(data[at + 8 + length : at + 12 + length], "big"):
            break
        if body[:4] in _PNG_PIXELS:
            kept += data[at : at + 12 + length]
        if body[:4] == b"IEND":
            return kept
        at += 12 + length
    raise damaged(where)


def _decode_deep(data: bytes, times: int, where: str) -> PixelArray:
    """A 16-bit PNG with all its bits; grey becomes RGB, transparency is laid on white."""
    pixels = np.frombuffer(_picture_of_png(data, where), np.uint8)
    try:
        image = cv2.imdecode(pixels, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        image = None
    if image is None or image.dtype not in (np.uint8, np.uint16):
        raise damaged(where)
    if times > 1:
        size = (max(1, image.shape[1] // times), max(1, image.shape[0] // times))
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    full = full_scale(image)
    channels = 1 if image.ndim == 2 else image.shape[2]
    if channels in (2, 4):
        alpha = image[..., -1:].astype(np.float32) / full
        image = (image[..., :-1] * alpha + full * (1 - alpha)).round().astype(image.dtype)
        channels -= 1
    if channels == 1:
        return np.repeat(image.reshape(*image.shape[:2], 1), 3, axis=2)
    return np.ascontiguousarray(image[..., ::-1])


def _decode_by_pillow(data: bytes, times: int, head: Header, where: str) -> PixelArray:
    """Anything else, a JPEG at the size that is wanted; Pillow tells of a file that is cut short."""
    try:
        with quiet(), Image.open(io.BytesIO(data), formats=FORMATS) as image:
            image.draft(None, (image.width // times, image.height // times))
            left = max(1, round(max(head.size) / max(image.size)))
            rest = max(1, times // left)
            if image.mode.startswith("I;16"):
                deep = np.asarray(image, np.uint16)
                size = (max(1, deep.shape[1] // rest), max(1, deep.shape[0] // rest))
                deep = np.asarray(cv2.resize(deep, size, interpolation=cv2.INTER_AREA))
                return _in_srgb(np.repeat(deep[..., None], 3, axis=2), head)
            # Loaded here: what follows may raise for its own reasons, a damaged file does it now.
            image.load()
            few = image.mode == "P" and len(image.getcolors(256) or ()) < _COLOURS_LEAST
            flat = _flat(image)
            if rest > 1:
                flat = flat.reduce(rest)
    except MemoryError:
        raise
    except Exception:  # Pillow raises almost anything on damaged data
        raise damaged(where) from None
    if few:
        raise InputError("a picture of a few colours", where=where, do="send the photograph itself")
    # A JPEG cut in transfer and closed again decodes to exact mid grey from the cut on.
    end = flat.crop((0, max(0, flat.height - max(8, flat.height // 50)), flat.width, flat.height))
    if head.kind in ("JPEG", "MPO") and (np.asarray(end) == 128).all():
        raise damaged(where)
    if head.profile:
        flat = colourspace.by_profile(flat, head.profile)
    rgb = np.asarray(flat if flat.mode == "RGB" else flat.convert("RGB"))
    return colourspace.by_name(rgb, head.space)


def _flat(image: Image.Image) -> Image.Image:
    """The picture as L or RGB, transparency laid on white."""
    if image.has_transparency_data:
        white = Image.new("RGBA", image.size, "white")
        return Image.alpha_composite(white, image.convert("RGBA")).convert("RGB")
    return image if image.mode in ("L", "RGB") else image.convert("RGB")


def _in_srgb(deep: PixelArray, head: Header) -> PixelArray:
    """A 16-bit picture in sRGB; where its colours must be converted, 8 bits of each are kept."""
    if head.profile:
        shallow = Image.fromarray(eight_bit(deep))
        grey = bool((deep[..., 0] == deep[..., 1]).all() and (deep[..., 0] == deep[..., 2]).all())
        picture = shallow.getchannel(0) if grey and b"GRAY" in head.profile[16:20] else shallow
        converted = colourspace.by_profile(picture, head.profile)
        return deep if converted is picture else np.asarray(converted)
    return deep if head.space == colourspace.SRGB else colourspace.by_name(eight_bit(deep), head.space)


def _upright(rgb: PixelArray, turn: int) -> PixelArray:
    """The picture as EXIF orientation 1 to 8 says it is to be seen."""
    if turn in (5, 6, 7, 8):
        rgb = rgb.swapaxes(0, 1)
    if turn in (2, 3, 6, 7):
        rgb = rgb[:, ::-1]
    if turn in (3, 4, 7, 8):
        rgb = rgb[::-1]
    return np.ascontiguousarray(rgb)
