"""What does a phone make of the light?

Focus, shake, sensor noise, colour filter, denoising, sharpening, tone, JPEG.
"""

import struct
from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import FloatArray


@dataclass(frozen=True)
class Phone:
    """defocus, chroma : [px] radii; shake : (length px, degrees); full_well, read : electrons

    white_balance : (3,) gains; gain : exposure
    denoise, sharpen : strengths 0 to 1; local, contrast : local and global tone, 0 to 0.25; quality : JPEG
    """

    defocus: float
    shake: tuple[float, float]
    chroma: float
    full_well: float
    read: float
    white_balance: FloatArray
    gain: float
    denoise: float
    sharpen: float
    local: float
    contrast: float
    quality: int
    orientation: int


def developed(light: FloatArray, phone: Phone, rng: np.random.Generator) -> bytes:
    """The JPEG of a scene. light : (H, W, 3) RGB radiance reaching the sensor."""
    image = _through_lens(light, phone) * phone.gain
    noise = rng.standard_normal(image.shape, dtype=np.float32)
    electrons = np.clip(image, 0, None) * phone.full_well
    image = np.clip((electrons + np.sqrt(electrons + phone.read**2) * noise) / phone.full_well, 0, 1)
    image = np.clip(_filtered(image * phone.white_balance, phone), 0, 1)
    image = _toned(image, phone)
    encoded = np.where(
        image <= 0.0031308, 12.92 * image, 1.055 * np.maximum(image, 1e-6) ** (1 / 2.4) - 0.055
    )
    encoded = encoded + phone.contrast * (3 * encoded**2 - 2 * encoded**3 - encoded)
    encoded = _sharpened(encoded, phone.sharpen)
    eight_bit = np.clip(encoded * 255 + 0.5, 0, 255).astype(np.uint8)
    turned = _stored(eight_bit, phone.orientation)
    ok, data = cv2.imencode(".jpg", turned[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    assert ok
    return _tagged(bytes(data), phone.orientation)


def _through_lens(light: FloatArray, phone: Phone) -> FloatArray:
    image = light
    if phone.defocus > 0.3:
        size = 2 * int(np.ceil(phone.defocus)) + 1
        y, x = np.mgrid[: 4 * size, : 4 * size] / 4 + 0.125 - size / 2
        disc = cv2.resize(
            (np.hypot(x, y) < phone.defocus).astype(np.float32), (size, size), interpolation=cv2.INTER_AREA
        )
        image = cv2.filter2D(image, -1, disc / disc.sum())
    if phone.shake[0] > 1:
        half = int(np.ceil(phone.shake[0] / 2)) + 1
        path = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
        along = np.linspace(-0.5, 0.5, 40) * phone.shake[0]
        turn = np.radians(phone.shake[1]) + 0.6 * along / phone.shake[0]  # a hand's shake is a short arc
        points = np.column_stack([half + along * np.cos(turn), half + along * np.sin(turn)])
        for px, py in points:
            path[round(py), round(px)] += 1
        image = cv2.filter2D(image, -1, cv2.GaussianBlur(path, (0, 0), 0.6) / path.sum())
    return cv2.GaussianBlur(image, (0, 0), 0.55)


def _filtered(image: FloatArray, phone: Phone) -> FloatArray:
    """The colour filter's lost colour detail, and the phone's own smoothing of noise."""
    luma = image @ np.array([0.25, 0.5, 0.25], np.float32)
    colour = image - luma[..., None]
    colour = cv2.GaussianBlur(colour, (0, 0), phone.chroma + 1.5 * phone.denoise)
    if (
        phone.denoise > 0.05
    ):  # smooth where it is flat, keep edges: what a phone's denoiser does, and its look
        root = np.sqrt(np.maximum(luma, 0))
        soft = cv2.GaussianBlur(root, (0, 0), 1.3)
        local = np.abs(cv2.GaussianBlur(root, (0, 0), 0.8) - soft)
        flat = phone.denoise * np.exp(-((local / 0.012) ** 2))
        luma = (root + flat * (soft - root)) ** 2
    return np.asarray(colour + luma[..., None], np.float32)


def _toned(image: FloatArray, phone: Phone) -> FloatArray:
    """Shadows lifted against their surroundings, as phones do for a window or a dark thing on white."""
    if phone.local == 0:
        return image
    height, width = image.shape[:2]
    small = cv2.resize(
        image @ np.array([0.25, 0.6, 0.15], np.float32),
        (160, max(8, 160 * height // width)),
        interpolation=cv2.INTER_AREA,
    )
    around = cv2.resize(cv2.GaussianBlur(small, (0, 0), 9), (width, height), interpolation=cv2.INTER_LINEAR)
    gain = ((around + 0.05) / 0.45) ** -phone.local
    return np.asarray(np.clip(image * gain[..., None], 0, 1), np.float32)


def _sharpened(encoded: FloatArray, strength: float) -> FloatArray:
    if strength == 0:
        return encoded
    luma = encoded @ np.array([0.3, 0.59, 0.11], np.float32)
    detail = luma - cv2.GaussianBlur(luma, (0, 0), 1.4)
    detail = np.sign(detail) * np.clip(
        np.abs(detail) - 0.004, 0, 0.1
    )  # coring: leave the noise, limit the halo
    return np.asarray(encoded + strength * detail[..., None], np.float32)


def _stored(image: np.ndarray, orientation: int) -> np.ndarray:
    """The pixels as a camera held some other way stores them: the EXIF tag turns them back."""
    turn = {1: None, 3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}[
        orientation
    ]
    return image if turn is None else cv2.rotate(image, turn)


def _tagged(jpeg: bytes, orientation: int) -> bytes:
    """The JPEG with an EXIF block that holds the orientation alone (tag 0x0112, SHORT)."""
    body = b"Exif\0\0MM\0*\0\0\0\x08" + struct.pack(">HHHIHHI", 1, 0x0112, 3, 1, orientation, 0, 0)
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]
