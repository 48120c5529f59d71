"""Does a file begin as a picture does? Whether it can be judged is for scoring to say."""

from typing import Final

_JPEG: Final = b"\xff\xd8\xff"
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_HEIF_BRANDS: Final = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif")

# How many bytes it takes to tell.
BEGINNING_BYTES: Final = 12
WANTED: Final = "JPEG, HEIC, PNG or WebP"


def is_picture(beginning: bytes) -> bool:
    """Whether the bytes begin as a JPEG, PNG, WebP or HEIF does."""
    return (
        beginning.startswith((_JPEG, _PNG))
        or (beginning[:4] == b"RIFF" and beginning[8:12] == b"WEBP")
        or (beginning[4:8] == b"ftyp" and beginning[8:12] in _HEIF_BRANDS)
    )
