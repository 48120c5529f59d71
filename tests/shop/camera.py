"""What does a phone make of the scene? Perspective, lens, sensor, and the development that phones do.

Linear light in, an 8-bit sRGB picture out. The world's z axis points away from the camera that hangs straight
above the page's middle, so that x and y are the page's own.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.shop.noise import Field

Pixels = NDArray[np.float32]
FOCAL: Final = 0.76  # focal length over the picture's longer side: a phone's main lens


@dataclass(frozen=True)
class Camera:
    """A phone held over the sheet.

    size : width, height of the picture as shown [px]
    tilt : [rad] off straight above; tilt_to : [rad] direction into which it leans; roll : [rad]
    fill : share of the picture that the framed part takes along its tighter side
    shift : [mm] by which the aim is off
    defocus : [px] radius of the circle of confusion; motion : [px] length, [rad] direction of a shake
    exposure : level of white paper before the tone curve; noise : electrons at full well (fewer is noisier)
    white_balance : gains that are left wrong, red, green, blue; adapted : share of the lamp's tint removed
    """

    size: tuple[int, int] = (1600, 1200)
    tilt: float = 0.0
    tilt_to: float = 0.0
    roll: float = 0.0
    fill: float = 0.9
    shift: tuple[float, float] = (0.0, 0.0)
    defocus: float = 0.0
    motion: tuple[float, float] = (0.0, 0.0)
    exposure: float = 0.72
    noise: float = 6000.0
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    adapted: float = 0.9
    vignette: float = 0.8
    sharpen: float = 0.5


@dataclass(frozen=True)
class Pose:
    """Where the camera is: rows of `axes` are the picture's x, y and viewing direction; `eye` [mm], z up."""

    axes: NDArray[np.float64]
    eye: NDArray[np.float64]
    focal: float
    size: tuple[int, int]

    def project(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 2) pixels of (N, 3) points: page x, y, height [mm]."""
        seen = (_down(points) - _down(self.eye)) @ self.axes.T
        centre = (np.array(self.size) - 1) / 2
        return seen[:, :2] / seen[:, 2:] * self.focal + centre

    def px_per_mm(self) -> float:
        """Pixels per millimetre on the page's middle, mean of both directions."""
        ends = self.project(np.array([[-1.0, 0, 0], [1, 0, 0], [0, -1, 0], [0, 1, 0]]))
        across, down = ends[1] - ends[0], ends[3] - ends[2]
        return float(np.sqrt(abs(across[0] * down[1] - across[1] * down[0])) / 2)


def _down(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return points * np.array([1.0, 1.0, -1.0])


def place(camera: Camera, framed: NDArray[np.float64]) -> Pose:
    """Pose from which the framed points (N, 3) [mm] fill the picture as asked."""
    t, az = camera.tilt, camera.tilt_to
    forward = np.array([np.sin(t) * np.cos(az), np.sin(t) * np.sin(az), np.cos(t)])
    right = np.array([1.0, 0, 0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(camera.roll), np.sin(camera.roll)
    axes = np.stack([c * right + s * down, -s * right + c * down, forward])
    focal = FOCAL * max(camera.size)
    aim, distance = np.array([0.0, 0, 0]), 400.0
    half = np.array(camera.size) / 2
    for _ in range(8):
        pose = Pose(axes, _down(aim - distance * forward), focal, camera.size)
        spots = pose.project(framed) - (half - 0.5)
        low, high = spots.min(axis=0), spots.max(axis=0)
        middle = (low + high) / 2
        aim = aim + distance / focal * (middle[0] * axes[0] + middle[1] * axes[1])
        aim -= aim[2] / forward[2] * forward
        distance *= float(np.max((high - low) / 2 / half)) / camera.fill
    aim = aim + np.array([*camera.shift, 0.0])
    return Pose(axes, _down(aim - distance * forward), focal, camera.size)


def page_points(pose: Pose, height: Field, step: float, page: tuple[float, float]) -> tuple[Field, Field]:
    """Page coordinates x and y [mm] that every pixel sees, (H, W), by following its ray to the paper.

    height : paper's height [mm] on a grid of `step` [mm] over the page; the table lies at 0
    """
    width, rows = pose.size
    every = 4
    u, v = np.meshgrid(np.arange(-4, width + 8, every), np.arange(-4, rows + 8, every))
    rays = np.dstack([(u - (width - 1) / 2) / pose.focal, (v - (rows - 1) / 2) / pose.focal, np.ones_like(u)])
    rays = rays @ pose.axes
    x = y = np.zeros(u.shape, np.float32)
    lift = np.zeros(u.shape, np.float32)
    for _ in range(4):
        reach = (pose.eye[2] - lift) / rays[..., 2]
        x = np.float32(pose.eye[0] + reach * rays[..., 0])
        y = np.float32(pose.eye[1] + reach * rays[..., 1])
        column = (x + page[0] / 2) / step
        row = (y + page[1] / 2) / step
        # Past the edge the paper's rim goes on, so that the ray's landing point stays smooth there.
        lift = cv2.remap(
            height, np.float32(column), np.float32(row), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    to_full = np.array([[1 / every, 0, 4 / every], [0, 1 / every, 4 / every]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(x, to_full, (width, rows), flags=flags), cv2.warpAffine(
        y, to_full, (width, rows), flags=flags
    )


def blur_px(camera: Camera) -> float:
    """Spread [px] of a point in the picture: lens, focus and shake as one standard deviation."""
    return float(np.sqrt(0.65**2 + (camera.defocus / 2) ** 2 + camera.motion[0] ** 2 / 24))


def expose(
    rng: np.random.Generator, radiance: Pixels, camera: Camera, white: NDArray[np.float32]
) -> NDArray[np.uint8]:
    """The picture that the phone stores.

    radiance : (H, W, 3) linear light; white : that of the paper, by which the phone meters
    """
    picture = _lens(radiance, camera)
    # No band of white paper may clip on the sensor; the weaker ones are raised afterwards, noise and all, as
    # far as the phone takes the lamp's colour for what it is.
    brightest = np.float32(white.max())
    gains = (brightest / white) ** np.float32(camera.adapted)
    raw = _sensor(rng, picture * np.float32(camera.exposure) / brightest, camera.noise)
    developed = raw * gains * np.array(camera.white_balance, np.float32)
    return _develop(developed, camera)


def _lens(picture: Pixels, camera: Camera) -> Pixels:
    """Blur of lens, focus and shake; the corners darker."""
    picture = cv2.GaussianBlur(picture, (0, 0), 0.65)
    if camera.defocus > 0.3:
        size = 2 * int(np.ceil(camera.defocus)) + 3
        y, x = np.mgrid[0:size, 0:size] - size // 2
        disc = np.clip(camera.defocus + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        picture = cv2.filter2D(picture, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT)
    length, direction = camera.motion
    if length > 0.5:
        size = 2 * int(np.ceil(length / 2)) + 3
        line = np.zeros((size * 8, size * 8), np.float32)
        middle, reach = size * 4, np.array([np.cos(direction), np.sin(direction)]) * length * 4
        ends = [tuple(int(c) for c in np.round(middle + s * reach)) for s in (-1, 1)]
        cv2.line(line, ends[0], ends[1], 1.0, 8)
        line = cv2.resize(line, (size, size), interpolation=cv2.INTER_AREA)
        picture = cv2.filter2D(picture, -1, line / line.sum(), borderType=cv2.BORDER_REFLECT)
    height, width = picture.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    tan2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (FOCAL * max(camera.size)) ** 2
    return picture * (1.0 - camera.vignette + camera.vignette / (1.0 + tan2) ** 2)[..., None]


def _sensor(rng: np.random.Generator, picture: Pixels, well: float) -> Pixels:
    """Noise of light and of reading behind a Bayer filter, and the colours filled in between."""
    light = np.clip(picture, 0.0, 1.0)
    height, width = picture.shape[:2]
    mosaic = np.empty((height, width), np.float32)
    for row, column, band in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = light[row::2, column::2, band]
    noise = rng.standard_normal((height, width), dtype=np.float32)
    mosaic += noise * np.sqrt(np.maximum(mosaic, 0.0) / well + (3.0 / well) ** 2)
    raw = np.uint16(np.clip(mosaic * 52000.0 + 4000.0, 0, 65535))
    # OpenCV names a Bayer pattern by its second row and column: an RGGB sensor is its BG.
    filled = cv2.cvtColor(raw, cv2.COLOR_BayerBG2RGB)
    return (filled.astype(np.float32) - 4000.0) / 52000.0


def _develop(picture: Pixels, camera: Camera) -> NDArray[np.uint8]:
    """Tone curve, sharpening, sRGB. A phone clips, lifts the middle a little and rolls off the lights."""
    picture = np.clip(picture, 0.0, 1.0)
    level = np.linspace(0, 1, 4096, dtype=np.float32)
    srgb = np.where(level <= 0.0031308, 12.92 * level, 1.055 * level ** (1 / 2.4) - 0.055)
    darks = np.where(srgb < 0.5, -0.036 * np.sin(2 * np.pi * srgb), 0.0)
    lights = 0.10 * srgb * srgb * (1 - srgb)
    toned = np.float32(srgb + darks + lights)
    # Dark tones lie close together on the curve, so it is read between its points.
    spot = picture * np.float32(4094.999)
    low = spot.astype(np.int32)
    picture = toned[low] + (spot - low.astype(np.float32)) * (toned[low + 1] - toned[low])
    if camera.sharpen:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.1)
        picture = picture + np.float32(camera.sharpen) * np.clip(picture - soft, -0.12, 0.12)
    return np.uint8(np.clip(picture * 255 + 0.5, 0, 255))
