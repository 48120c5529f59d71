"""Which files are read as photographs, and what is said of the others?"""

import io

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps, PngImagePlugin

from edge.errors import InputError
from pipeline.imagefile import decode_photo
from pipeline.photos import read_photo_file, score_bytes
from tests.shop.fields import photograph


def picture(height=96, width=128, seed=0):
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 256, (height // 16, width // 16, 3), dtype=np.uint8)
    return np.kron(coarse, np.ones((16, 16, 1), np.uint8))


def saved(array, kind, *, cmyk=False, **options):
    data = io.BytesIO()
    image = Image.fromarray(array)
    (image.convert("RGB").convert("CMYK") if cmyk else image).save(data, kind, **options)
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
    Image.fromarray(np.arange(96 * 128, dtype=np.uint8).reshape(96, 128)).convert("P").save(data, "PNG")
    assert decode_photo(data.getvalue()).rgb.shape == (96, 128, 3)


def test_transparency_is_laid_on_white():
    clear = np.zeros((96, 128, 4), np.uint8)
    assert (decode_photo(saved(clear, "PNG")).rgb == 255).all()


def test_large_photographs_are_decoded_smaller():
    photo = decode_photo(saved(picture(3008, 4000), "JPEG", quality=80))
    assert (photo.rgb.shape, photo.reduced) == ((1504, 2000, 3), 2)


def test_a_phone_s_heic_is_read():
    """Lossy, so close and not equal; turned by the file's own turn, as HEIF has it."""
    pillow_heif.register_heif_opener()
    smooth = np.asarray(Image.fromarray(picture()).resize((128, 96)).reduce(4).resize((128, 96)))
    image = Image.fromarray(smooth)
    image.getexif()[0x0112] = 6
    data = io.BytesIO()
    image.save(data, "HEIF", quality=95, chroma=444)
    photo = decode_photo(data.getvalue())
    turned = np.rot90(smooth, -1)
    assert photo.rgb.shape == turned.shape
    assert np.abs(photo.rgb.astype(int) - turned).mean() < 2
    with pytest.raises(InputError, match="cut short"):
        decode_photo(data.getvalue()[:-200])


@pytest.mark.parametrize(("numbers", "red"), [((1, 13), 128), ((12, 13), 134.8)])
def test_a_heic_s_code_numbers_are_honoured(numbers, red):
    """Display P3 (128, 90, 90) is sRGB (134.8, 88.0, 89.1): colour-science 0.4.7, RGB_to_RGB."""
    pillow_heif.register_heif_opener()
    data = io.BytesIO()
    Image.new("RGB", (128, 96), (128, 90, 90)).save(
        data, "HEIF", quality=100, chroma=444, color_primaries=numbers[0], transfer_characteristics=numbers[1]
    )
    assert decode_photo(data.getvalue()).rgb[..., 0].mean() == pytest.approx(red, abs=1.5)


def test_a_camera_s_mark_for_adobe_rgb_is_honoured():
    """Adobe RGB (128, 90, 90) is sRGB (141.1, 89.6, 89.6): colour-science 0.4.7, RGB_to_RGB."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA005] = {1: "R03"}
    for mark, red in ((exif, 141.1), (Image.Exif(), 128)):
        data = io.BytesIO()
        Image.new("RGB", (128, 96), (128, 90, 90)).save(data, "JPEG", quality=98, exif=mark)
        assert decode_photo(data.getvalue()).rgb[..., 0].mean() == pytest.approx(red, abs=1.5)


def test_the_first_picture_of_a_phone_s_jpeg_is_meant():
    """A JPEG with a second picture behind it, as phones write for portraits and bursts."""
    data = io.BytesIO()
    first, second = (Image.fromarray(picture(seed=n)) for n in (0, 1))
    first.save(data, "MPO", save_all=True, append_images=[second], quality=95)
    alone = decode_photo(saved(picture(), "JPEG", quality=95)).rgb
    np.testing.assert_array_equal(decode_photo(data.getvalue()).rgb, alone)


def test_a_motion_photo_s_film_is_left_behind():
    film = np.random.default_rng(1).bytes(100_000)
    photo = saved(picture(), "JPEG", quality=95, progressive=True)
    np.testing.assert_array_equal(decode_photo(photo + film).rgb, decode_photo(photo).rgb)


def test_a_sheet_that_fills_little_of_the_picture_is_looked_at_in_all_its_pixels():
    sheet = photograph(px_per_mm=3.4)
    table = np.full((3000, 4000, 3), 90, np.uint8)
    table[800 : 800 + sheet.shape[0], 1500 : 1500 + sheet.shape[1]] = sheet
    score = score_bytes(saved(table, "JPEG", quality=92))
    assert score.verdict == "pass", score.reasons
    assert score.px_per_mm == pytest.approx(3.4, rel=0.02)


def test_resolution_is_told_in_the_camera_s_own_pixels():
    rgb = np.asarray(Image.fromarray(photograph()).resize((4815, 3510)))
    assert score_bytes(saved(rgb, "JPEG", quality=85)).px_per_mm == pytest.approx(15.0, rel=0.02)


def palette(colours):
    """The picture as a PNG with a palette of its own."""
    data = io.BytesIO()
    Image.fromarray(picture()).quantize(colours).save(data, "PNG")
    return data.getvalue()


def frames(kind):
    data = io.BytesIO()
    first, second = (Image.fromarray(picture(seed=n)) for n in (0, 1))
    first.save(data, kind, save_all=True, append_images=[second])
    return data.getvalue()


def tagged(**tags):
    data = io.BytesIO()
    Image.fromarray(picture()).save(data, "TIFF", tiffinfo={int(k[1:]): v for k, v in tags.items()})
    return data.getvalue()


def linear_png():
    info = PngImagePlugin.PngInfo()
    info.add(b"gAMA", (100_000).to_bytes(4, "big"))
    data = io.BytesIO()
    Image.fromarray(picture()).save(data, "PNG", pnginfo=info)
    return data.getvalue()


def many_scans():
    """A progressive JPEG whose last scan comes again and again: small to send, endless to decode."""
    plain = saved(picture(2048, 2048), "JPEG", quality=20, progressive=True)
    last = plain.rfind(b"\xff\xda")
    return plain[:-2] + plain[last:-2] * 600 + plain[-2:]


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
        (b"\x00\x00\x00\x18ftypheic" + bytes(64), "cut short"),
        (claims(60_000, 60_000), "60000 x 60000"),
        (claims(12_000, 11_000), "12000 x 11000"),
        (saved(picture(32, 32), "PNG"), "thumbnail"),
        (saved(picture(), "GIF"), "a GIF, not a photograph"),
        (b"%PDF-1.7 and so on", "a PDF document"),
        (b"\x00\x00\x00\x18ftypmp42" + bytes(64), "a video"),
        (frames("TIFF"), "2 pictures"),
        (frames("WEBP"), "2 pictures"),
        (frames("PNG"), "2 pictures"),
        (saved(np.zeros((96, 128, 4), np.uint8), "JPEG", cmyk=True), "colours for printing"),
        (tagged(_50706=b"\1\4\0\0"), "raw file"),
        (tagged(_254=1), "raw file"),
        (saved(picture(), "TIFF", compression="tiff_lzw"), "a compressed TIFF"),
        (linear_png(), "gamma 1"),
        (many_scans(), "too many scans"),
        (saved(np.zeros((96, 128), np.float32), "TIFF"), "unusual kind"),
        (saved(np.zeros((96, 128), bool), "PNG"), "without greys"),
        (palette(16), "few colours"),
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
