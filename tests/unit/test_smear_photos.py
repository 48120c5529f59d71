"""Which files are read as photographs, and what is said of the others?"""

import io

import numpy as np
import pytest
from PIL import Image, ImageOps

from edge.errors import InputError
from pipeline.photos import decode_photo, read_photo_file


def picture(height=96, width=128, seed=0):
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 256, (height // 16, width // 16, 3), dtype=np.uint8)
    return np.kron(coarse, np.ones((16, 16, 1), np.uint8))


def saved(array, kind, **options):
    data = io.BytesIO()
    Image.fromarray(array).save(data, kind, **options)
    return data.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP"])
def test_lossless_formats_come_through_exactly(kind):
    np.testing.assert_array_equal(decode_photo(saved(picture(), kind)).rgb, picture())


@pytest.mark.parametrize("turn", range(1, 9))
def test_exif_orientation_is_honoured(turn):
    """Against Pillow's own exif_transpose."""
    exif = Image.Exif()
    exif[0x0112] = turn
    for kind in ("JPEG", "PNG"):
        data = saved(picture(), kind, exif=exif)
        upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
        np.testing.assert_array_equal(decode_photo(data).rgb, upright)


@pytest.mark.parametrize("odd", [0, 9, 65535])
def test_an_orientation_that_is_none_is_ignored(odd):
    exif = Image.Exif()
    exif[0x0112] = odd
    assert decode_photo(saved(picture(), "PNG", exif=exif)).rgb.shape == (96, 128, 3)


def test_sixteen_bits_stay_sixteen_bits():
    deep = (np.arange(96 * 128, dtype=np.uint16) * 5).reshape(96, 128)
    rgb = decode_photo(saved(deep, "PNG")).rgb
    assert rgb.dtype == np.uint16
    np.testing.assert_array_equal(rgb[..., 1], deep)


def test_grey_and_palette_become_rgb():
    grey = picture()[..., 0]
    np.testing.assert_array_equal(decode_photo(saved(grey, "PNG")).rgb, np.repeat(grey[..., None], 3, 2))
    data = io.BytesIO()
    Image.fromarray(grey).convert("P").save(data, "PNG")
    assert decode_photo(data.getvalue()).rgb.shape == (96, 128, 3)


def test_transparency_is_laid_on_white():
    clear = np.zeros((96, 128, 4), np.uint8)
    assert (decode_photo(saved(clear, "PNG")).rgb == 255).all()


def test_large_photographs_are_decoded_smaller():
    photo = decode_photo(saved(picture(3008, 4000), "JPEG", quality=80))
    assert (photo.rgb.shape, photo.reduced) == ((1504, 2000, 3), 2)


def claims(width, height):
    data = bytearray(saved(picture(), "BMP"))
    data[18:22], data[22:26] = width.to_bytes(4, "little"), height.to_bytes(4, "little")
    return bytes(data)


JPEG = saved(picture(), "JPEG", quality=95)
PNG = saved(picture(), "PNG")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"hello, this is not a photograph", "not a photograph"),
        (JPEG[: len(JPEG) // 2], "cut short"),
        (JPEG[:-40], "cut short"),
        (JPEG[:20], "cut short"),
        (PNG[: len(PNG) // 2], "cut short"),
        (PNG[:30], "cut short"),
        (b"\x00\x00\x00\x18ftypheic" + bytes(64), "HEIC"),
        (claims(60_000, 60_000), "claims more pixels"),
        (claims(12_000, 11_000), "12000 x 11000"),
        (saved(picture(32, 32), "PNG"), "thumbnail"),
        (saved(picture(), "GIF"), "not a photograph"),
    ],
    ids=lambda v: v if isinstance(v, str) else f"{len(v)}-bytes",
)
def test_what_is_no_photograph_is_refused_in_one_sentence(data, says):
    with pytest.raises(InputError, match=says) as refusal:
        decode_photo(data, "tuesday.jpg")
    assert str(refusal.value).startswith("tuesday.jpg: ") and "\n" not in str(refusal.value)


def test_a_file_cut_and_closed_again_is_refused():
    cut = saved(picture(480, 640), "JPEG", quality=95)
    with pytest.raises(InputError, match="cut short"):
        decode_photo(cut[: len(cut) * 2 // 3] + b"\xff\xd9")


def test_damage_never_ends_in_anything_but_a_sentence():
    rng = np.random.default_rng(3)
    for data in (JPEG, PNG, saved(picture(), "TIFF"), saved(picture(), "WEBP")):
        for _ in range(40):
            broken = bytearray(data)
            for at in rng.integers(0, len(broken), 6):
                broken[at] = rng.integers(256)
            try:
                decode_photo(bytes(broken[: rng.integers(1, len(broken) + 1)]))
            except InputError as refusal:
                assert "\n" not in str(refusal)


def test_what_is_no_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_photo_file(tmp_path / "missing.jpg")
    with pytest.raises(InputError, match="a folder"):
        read_photo_file(tmp_path)
