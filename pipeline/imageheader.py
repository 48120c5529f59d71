"""What does a picture file say of itself? Kind, size, turn and colours, before anything is decoded.

Whatever can't be measured is refused here in one sentence: several pictures in one file, a camera's raw file,
colours for printing, high dynamic range, a size that no photograph has.
"""

import io
import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Final, NamedTuple

from PIL import Image, UnidentifiedImageError

from edge.errors import InputError
from pipeline import colourspace
from pipeline.colourspace import ColourError, ColourSpace

SIDE_MIN: Final = 64
SIDE_MAX: Final = 50_000
# A plain JPEG is decoded small, row by row; anything else is held whole, at 4 to 8 bytes a pixel.
PIXELS_MAX: Final = 220_000_000
PIXELS_MAX_WHOLE: Final = 60_000_000
# A progressive JPEG is gone over once a scan.
SCANNED_MAX: Final = 2_000_000_000

FORMATS: Final = ("JPEG", "PNG", "TIFF", "WEBP", "BMP", "HEIF", "AVIF")
_READABLE: Final = "JPEG, HEIC, PNG, TIFF, WebP or BMP"
PNG_HEAD: Final = b"\x89PNG\r\n\x1a\n"
_JPEG_HEAD: Final = b"\xff\xd8\xff"
_DAMAGED_AFTER: Final = (PNG_HEAD, _JPEG_HEAD, b"II*\0", b"MM\0*")
_HEIF_BRANDS: Final = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif")
# What people send by mistake, so that the sentence can name it.
_STRANGERS: Final = (
    (b"GIF8", "a GIF"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"\x1a\x45\xdf\xa3", "a video"),
)
_VIDEO_BRANDS: Final = (
    b"isom",
    b"mp41",
    b"mp42",
    b"qt  ",
    b"avc1",
    b"3gp4",
    b"3gp5",
    b"M4V ",
    b"hevc",
    b"msf1",
)
_EXIF_ORIENTATION: Final = 0x0112
_INTEROP_IFD, _INTEROP_INDEX = 0xA005, 1
_TIFF_SUBFILE, _TIFF_SUBIFDS, _DNG_VERSION = 254, 330, 50706
_GREY_MODES: Final = ("L", "LA")
_COLOUR_MODES: Final = ("RGB", "RGBA", "RGBX", "P", "PA", "YCbCr", "RGBa")
_PNG_GAMMA: Final = (0.4345, 0.4745)  # 1/2.2 as PNG files round it
_SCAN_OR_END: Final = re.compile(rb"\xff[^\x00\x01\xd0-\xd7\xff]")


class Header(NamedTuple):
    """What a file says of itself.

    kind : Pillow's name of the format; turn : EXIF orientation, 1 to 8
    profile : ICC, may be empty; space : what the picture is coded in where no profile says it
    """

    kind: str
    size: tuple[int, int]
    turn: int
    profile: bytes
    space: ColourSpace


def read_header(data: bytes, where: str) -> Header:
    """What a file says of itself. Raises InputError for what is no single photograph, or one too large."""
    _prepare_pillow()
    try:
        with quiet(), Image.open(io.BytesIO(data), formats=FORMATS) as image:
            kind = str(image.format)
            _require_size(image, where)
            _require_one_photograph(image, data, where)
            turn = image.getexif().get(_EXIF_ORIENTATION, 1)
            return Header(
                kind=kind,
                size=image.size,
                turn=turn if turn in range(1, 9) else 1,
                profile=image.info.get("icc_profile") or b"",
                space=_named_space(image, data),
            )
    except InputError:
        raise
    except ColourError as error:
        raise InputError(str(error), where=where, do="export it as sRGB JPEG") from None
    except UnidentifiedImageError:
        if data.startswith(_DAMAGED_AFTER) or (data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS):
            raise damaged(where) from None
        raise InputError(
            f"{_stranger(data)}, not a photograph in {_READABLE}",
            where=where,
            do="send the photograph as JPEG",
        ) from None
    except MemoryError:
        raise
    except Exception:  # a damaged header makes Pillow raise almost anything
        raise damaged(where) from None


def _require_size(image: Image.Image, where: str) -> None:
    width, height = image.size
    small = image.format in ("JPEG", "MPO") and not image.info.get("progressive")
    most = PIXELS_MAX if small else PIXELS_MAX_WHOLE
    if width * height > most or max(width, height) > SIDE_MAX:
        raise InputError(
            f"claims {width} x {height} pixels, over {most // 1_000_000} million are refused",
            where=where,
            do="export it smaller",
        )
    if min(width, height) < SIDE_MIN:
        raise InputError(
            f"only {width} x {height} pixels", where=where, do="send the photograph itself, not a thumbnail"
        )


def _stranger(data: bytes) -> str:
    if data[4:8] == b"ftyp" and data[8:12] in _VIDEO_BRANDS:
        return "a video"
    return next((name for start, name in _STRANGERS if data.startswith(start)), "an unknown kind of file")


@cache
def _prepare_pillow() -> None:
    """Once: Pillow learns HEIC, and leaves the limits on size to this file, which has a sentence for them."""
    import pillow_heif

    pillow_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False, decode_threads=1)
    Image.MAX_IMAGE_PIXELS = None
    logging.getLogger("PIL").setLevel(logging.CRITICAL)  # it would tell standard error what a sentence tells


@contextmanager
def quiet() -> Iterator[None]:
    """Pillow warns of odd metadata; what matters of it is judged here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _require_one_photograph(image: Image.Image, data: bytes, where: str) -> None:
    """Refuse what is several pictures, a preview, or made for printing; and a JPEG that never ends."""
    kind, mode = str(image.format), image.mode
    pictures = getattr(image, "n_frames", 1)
    # A phone's JPEG or HEIC may carry a gain map or a burst behind the photograph: the first one is meant.
    if pictures > 1 and kind not in ("MPO", "HEIF"):
        raise InputError(f"{pictures} pictures in one file", where=where, do="send the one photograph")
    if kind == "TIFF":
        tags = getattr(image, "tag_v2", {})
        if _DNG_VERSION in tags or _TIFF_SUBIFDS in tags or int(tags.get(_TIFF_SUBFILE, 0)) & 1:
            raise InputError("a camera's raw file", where=where, do="develop it to JPEG")
        if image.info.get("compression", "raw") != "raw":
            # The library that unpacks them speaks to standard error itself, past every sentence.
            raise InputError("a compressed TIFF", where=where, do="export it as JPEG or PNG")
    if mode in ("CMYK", "LAB", "HSV"):
        # Inks limited and black drawn out: the way back to light is no measurement.
        raise InputError(f"colours for printing ({mode})", where=where, do="send the RGB photograph")
    if mode == "1":
        raise InputError("black and white without greys", where=where, do="send the photograph itself")
    if mode not in (*_GREY_MODES, *_COLOUR_MODES) and not mode.startswith("I;16"):
        raise InputError(f"pixels of an unusual kind ({mode})", where=where, do="export it as JPEG")
    if image.info.get("progressive") and _scans(data) * image.width * image.height > SCANNED_MAX:
        raise InputError("a progressive JPEG of too many scans", where=where, do="export it as plain JPEG")


def _scans(data: bytes) -> int:
    """How many scans the first picture of a JPEG has."""
    count, at = 0, 2
    while at + 4 <= len(data):
        marker = _SCAN_OR_END.search(data, at)
        if marker is None or data[marker.start() + 1] == 0xD9:
            break
        at = marker.end()
        count += data[at - 1] == 0xDA
        at += int.from_bytes(data[at : at + 2], "big")
    return count


def _named_space(image: Image.Image, data: bytes) -> ColourSpace:
    """The colour space of a file without an ICC profile. Raises ColourError where it can't be told."""
    info = image.info
    if info.get("icc_profile"):
        return colourspace.SRGB
    if info.get("nclx_profile"):
        nclx = info["nclx_profile"]
        return colourspace.by_numbers(int(nclx["color_primaries"]), int(nclx["transfer_characteristics"]))
    if image.format == "PNG":
        at = data.find(b"cICP", 0, 4096)
        if 0 < at < len(data) - 6:
            return colourspace.by_numbers(data[at + 4], data[at + 5])
        gamma = info.get("gamma", 0.45455)
        if "srgb" not in info and not _PNG_GAMMA[0] <= gamma <= _PNG_GAMMA[1]:
            raise ColourError(f"a tone curve of its own (gamma {gamma:g})")
    # The mark by which cameras say Adobe RGB without a profile: DCF 2.0, optional colour space.
    interop = image.getexif().get_ifd(_INTEROP_IFD)
    if str(interop.get(_INTEROP_INDEX, "")).startswith("R03"):
        return colourspace.ADOBE_RGB
    return colourspace.SRGB


def damaged(where: str) -> InputError:
    """The one refusal for all that is broken: which bytes, nobody at the pump can mend."""
    return InputError(
        "the file is damaged or cut short", where=where, do="send it again or take the photograph again"
    )
