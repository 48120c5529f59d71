"""What does a hostile file do? Nothing but a sentence: no crash, no hang, no memory over its limit."""

import io
import json
import os
import subprocess
import sys
import zlib

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from edge.errors import InputError
from pipeline.derive.smear.score import score
from pipeline.imagefile import decode_photo
from tests.shop.fields import photograph

pillow_heif.register_heif_opener()

# First bytes of fifty kinds of files, as public lists of signatures give them; from memory.
MAGIC = {
    "gif": b'GIF89a', "pdf": b'%PDF-1.7', "zip": b'PK\x03\x04', "rar": b'Rar!\x1a\x07\x01\x00',
    "7z": b"7z\xbc\xaf'\x1c", "gz": b'\x1f\x8b\x08', "bz2": b'BZh9', "xz": b'\xfd7zXZ\x00',
    "zst": b'(\xb5/\xfd', "lz4": b'\x04"M\x18', "tar": bytes(257) + b"ustar", "elf": b'\x7fELF',
    "exe": b'MZ\x90\x00', "class": b'\xca\xfe\xba\xbe', "macho": b'\xcf\xfa\xed\xfe',
    "wasm": b'\x00asm\x01\x00\x00\x00', "ps": b'%!PS-Adobe', "rtf": b'{\\rtf1',
    "ole": b'\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1', "sqlite": b'SQLite format 3\x00', "parquet": b'PAR1',
    "arrow": b'ARROW1\x00\x00', "hdf5": b'\x89HDF\r\n\x1a\n', "npy": b'\x93NUMPY\x01\x00',
    "fits": b'SIMPLE  =', "mp4": b'\x00\x00\x00\x18ftypmp42', "mov": b'\x00\x00\x00\x14ftypqt  ',
    "mkv": b'\x1aE\xdf\xa3', "avi": b'RIFF0000AVI ', "wav": b'RIFF0000WAVE', "flac": b'fLaC',
    "ogg": b'OggS', "mp3": b'ID3\x03', "mid": b'MThd', "aiff": b'FORM0000AIFF', "flv": b'FLV\x01',
    "wmv": b'0&\xb2u\x8ef\xcf\x11', "psd": b'8BPS\x00\x01', "xcf": b'gimp xcf file',
    "ico": b'\x00\x00\x01\x00\x01\x00', "cur": b'\x00\x00\x02\x00\x01\x00', "icns": b'icns',
    "dds": b'DDS |', "exr": b'v/1\x01', "hdr": b'#?RADIANCE\n', "jp2": b'\x00\x00\x00\x0cjP  \r\n\x87\n',
    "jxl": b'\xff\n\xfa', "ppm": b'P6\n9 9\n255\n', "svg": b"<svg xmlns='http://www.w3.org/2000/svg'>",
    "xml": b"<?xml version='1.0'?>", "html": b'<!DOCTYPE html>',
    "cr2": b'II*\x00\x10\x00\x00\x00CR\x02\x00', "jpg": b'\xff\xd8\xff\xe0', "png": b'\x89PNG\r\n\x1a\n',
    "webp": b'RIFF0000WEBP', "bmp": b'BM', "tif": b'MM\x00*', "heic": b'\x00\x00\x00\x18ftypheic',
    "avif": b'\x00\x00\x00\x1cftypavif',
}  # fmt: skip

# What a file that is taken may hold while it is scored, and a 12-megapixel JPEG [MB].
MEMORY_MAX_MB, MEMORY_12MP_MB = 1000, 400


def seeds():
    rng = np.random.default_rng(8)
    image = Image.fromarray(
        np.kron(rng.integers(0, 256, (6, 8, 3), dtype=np.uint8), np.ones((16, 16, 1), np.uint8))
    )
    exif = Image.Exif()
    exif[0x0112] = 6
    kinds = [("JPEG", {"exif": exif}), ("JPEG", {"progressive": True}), ("HEIF", {"exif": exif})]
    kinds += [(kind, {}) for kind in ("PNG", "TIFF", "WEBP", "BMP", "AVIF")]
    for kind, options in kinds:
        data = io.BytesIO()
        image.save(data, kind, **options)
        yield data.getvalue()


SEEDS = list(seeds())


@settings(max_examples=400, deadline=4000, derandomize=True)
@given(
    seed=st.sampled_from(SEEDS),
    pokes=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=8),
    near_start=st.booleans(),
    keep=st.floats(0.01, 1),
    stuffing=st.binary(max_size=24),
)
def test_damage_ends_in_pixels_or_in_one_sentence(seed, pokes, near_start, keep, stuffing):
    data = bytearray(seed)
    for share, value in pokes:
        data[int(share * (min(len(data), 400 if near_start else len(data)) - 1))] = value
    at = int(keep * len(data))
    try:
        rgb = decode_photo(bytes(data[:at] + stuffing + (data[at:] if len(stuffing) % 2 else b""))).rgb
    except InputError as refusal:
        assert "\n" not in str(refusal)
    else:
        assert rgb.ndim == 3 and rgb.shape[2] == 3 and rgb.dtype in (np.uint8, np.uint16)


SHEET = photograph(px_per_mm=3.0)


@settings(max_examples=60, deadline=6000, derandomize=True)
@given(
    size=st.tuples(st.integers(64, 700), st.integers(64, 700)),
    corner=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    gain=st.floats(0.02, 3),
    power=st.floats(0.1, 5),
    patches=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1), st.integers(0, 255)), max_size=5),
    deep=st.booleans(),
)
def test_any_picture_gets_a_verdict_with_a_reason_and_numbers_that_are_numbers(
    size, corner, gain, power, patches, deep
):
    top, left = (int(c * (s - 64)) for c, s in zip(corner, SHEET.shape, strict=False))
    rgb = SHEET[top : top + size[0], left : left + size[1]] / 255
    rgb = (255 * np.clip(gain * rgb**power, 0, 1)).astype(np.uint8)
    for y, x, level in patches:
        rgb[int(y * len(rgb)) :][:120, int(x * rgb.shape[1]) :][:, :150] = level
    result = score(rgb.astype(np.uint16) * 257 if deep else rgb)
    assert result.verdict in ("pass", "fail", "retake") and result.reasons
    assert np.isfinite([v for v in (result.score, result.cov, result.delta_e_p95) if v is not None]).all()


def test_the_first_bytes_of_every_kind_of_file_under_a_photograph_s_name(tmp_path):
    rng = np.random.default_rng(5)
    files = []
    for name, start in MAGIC.items():
        for kind, filling in (("a", b""), ("b", rng.bytes(3000))):
            files.append(tmp_path / f"{name}-{kind}.jpg")
            files[-1].write_bytes(start + filling)
    assert len(MAGIC) >= 50
    run = score_in_a_process(files)
    assert (run.returncode, run.stdout) == (3, "")
    lines = run.stderr.splitlines()
    assert len(lines) == len(files), run.stderr
    assert all(line.startswith("beadbook: ") and line.endswith(".") for line in lines)


def test_odd_files_and_names_cost_a_line_each(tmp_path):
    """A pipe and a device that never end, a name that is no UTF-8, a name of two lines."""
    data = next(seeds())
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "zero.jpg").symlink_to("/dev/zero")
    (tmp_path / "loop.jpg").symlink_to("loop.jpg")
    two_lines, no_utf8 = tmp_path / "two\nlines.jpg", tmp_path / os.fsdecode(b"\xff\xfe.jpg")
    two_lines.write_bytes(data[:200])
    no_utf8.write_bytes(data)
    files = [tmp_path / "pipe.jpg", tmp_path / "zero.jpg", tmp_path / "loop.jpg", two_lines, no_utf8]
    run = score_in_a_process(files)
    assert run.returncode == 3
    assert len(run.stderr.splitlines()) == 4 and "Traceback" not in run.stderr
    assert json.loads(run.stdout)["file"].endswith("\ufffd\ufffd.jpg")


def score_in_a_process(files):
    return subprocess.run(
        [sys.executable, "-m", "pipeline", "score", "--json", *map(str, files)],
        capture_output=True,
        text=True,
        timeout=300,
    )


def peak_mb(file):
    """Most memory that scoring one file held [MB], the libraries' own included; its refusal or verdict."""
    script = (
        "import re, sys, json; from pathlib import Path; from pipeline.batch import score_files\n"
        "(_, result), = score_files([Path(sys.argv[1])], workers=False)\n"
        # Not ru_maxrss: a child's starts at what its parent held.
        "peak = int(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1]) / 1024\n"
        "print(json.dumps([peak, getattr(result, 'verdict', str(result))]))"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, str(file)], capture_output=True, text=True, timeout=120, check=True
    )
    return json.loads(run.stdout)


def png(width, height, *, depth=8, colour=2, true=True):
    """A PNG of nothing but zeros, small to send; not `true`: the size is claimed, the pixels are missing."""

    def chunk(name, body):
        return len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")

    row = 1 + width * depth // 8 * {0: 1, 2: 3, 6: 4}[colour]
    packer = zlib.compressobj(9)
    body = b"".join(packer.compress(bytes(row)) for _ in range(height)) if true else b""
    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes((depth, colour, 0, 0, 0))
    pixels = chunk(b"IDAT", body + packer.flush())
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + pixels + chunk(b"IEND", b"")


def jpeg(width, height, **options):
    data = io.BytesIO()
    Image.new("RGB", (width, height), (90, 90, 90)).save(data, "JPEG", quality=70, **options)
    return data.getvalue()


@pytest.mark.parametrize(
    ("name", "make", "limit"),
    [
        ("claims a hundred million pixels", lambda: png(10_000, 10_000, true=False), 200),
        ("claims all there are", lambda: png(2**31 - 1, 2**31 - 1, true=False), 200),
        pytest.param("58 million pixels, 8 bits", lambda: png(7600, 7600), MEMORY_MAX_MB,
                     marks=pytest.mark.slow),
        pytest.param("58 million pixels, 16 bits and transparent",
                     lambda: png(7600, 7600, depth=16, colour=6), MEMORY_MAX_MB, marks=pytest.mark.slow),
        pytest.param("58 million pixels, progressive and unsampled",
                     lambda: jpeg(7600, 7600, progressive=True, subsampling=0), MEMORY_MAX_MB,
                     marks=pytest.mark.slow),
        pytest.param("200 million pixels, plain", lambda: jpeg(16_000, 12_500), MEMORY_MAX_MB,
                     marks=pytest.mark.slow),
    ],
)  # fmt: skip
def test_a_bomb_holds_no_more_memory_than_its_limit(tmp_path, name, make, limit):
    file = tmp_path / "photo.jpg"
    file.write_bytes(make())
    peak, said = peak_mb(file)
    print(f"{name}: {peak:.0f} MB, {said}")
    assert peak < limit, (name, peak, said)


def test_a_phone_s_photograph_holds_less_than_400_mb(tmp_path):
    rgb = cv2.resize(photograph(), (4000, 3000))
    Image.fromarray(rgb).save(tmp_path / "photo.jpg", quality=92)
    peak, said = peak_mb(tmp_path / "photo.jpg")
    print(f"12 megapixels: {peak:.0f} MB")
    assert said == "pass" and peak < MEMORY_12MP_MB
