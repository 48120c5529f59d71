"""Where does each pixel look?

A pinhole phone held over the sheet, tilted, turned, with a lens that bends a little.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.shop.otherphoto import FloatArray

STEP = 8  # pixels between the rays that are followed; between them the map is as good as straight


@dataclass(frozen=True)
class Pose:
    """eye : (3,) [mm]; right, down, forward : (3,) axes; focal, centre [px]

    bend : r' = r (1 + bend r²), r in half diagonals; size : (width, height) [px]
    """

    eye: FloatArray
    right: FloatArray
    down: FloatArray
    forward: FloatArray
    focal: float
    centre: tuple[float, float]
    bend: float
    size: tuple[int, int]


def held(
    tilt: float, heading: float, roll: float, bend: float, size: tuple[int, int],
    subject: FloatArray, fill: float, offset: tuple[float, float],
) -> Pose:  # fmt: skip
    """The pose that makes the subject's bounding box fill `fill` of the frame.

    tilt, heading, roll : [rad]; subject : (N, 2) [mm] points that are to be in the picture
    fill : 1 touches the nearer pair of sides; offset : share of the frame by which the subject is off its
    middle
    """
    target = np.append(subject.mean(axis=0), 0.0)
    out = np.array([np.sin(tilt) * np.cos(heading), np.sin(tilt) * np.sin(heading), np.cos(tilt)])
    forward = -out
    right = np.array([1.0, 0, 0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.array([0, 1.0, 0]) - forward[1] * forward
    down -= (down @ right) * right
    down /= np.linalg.norm(down)
    right, down = np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right
    focal = 0.80 * max(size)
    far, centre = 450.0, (size[0] / 2, size[1] / 2)
    for _ in range(6):
        pose = Pose(target + far * out, right, down, forward, focal, centre, bend, size)
        seen = seen_at(pose, np.column_stack([subject, np.zeros(len(subject))]))
        low, high = seen.min(axis=0), seen.max(axis=0)
        far *= max((high[0] - low[0]) / size[0], (high[1] - low[1]) / size[1]) / fill
        middle = (low + high) / 2
        centre = (
            centre[0] + size[0] * (0.5 + offset[0]) - middle[0],
            centre[1] + size[1] * (0.5 + offset[1]) - middle[1],
        )
    return pose


def seen_at(pose: Pose, points: FloatArray) -> FloatArray:
    """(N, 2) [px] where points (N, 3) [mm] appear, the lens's bend left out."""
    ray = points - pose.eye
    ahead = ray @ pose.forward
    return np.column_stack(
        [
            pose.focal * (ray @ pose.right) / ahead + pose.centre[0],
            pose.focal * (ray @ pose.down) / ahead + pose.centre[1],
        ]
    )


def ground_of(pose: Pose, height: FloatArray, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """(H, W) x and y [mm] of the sheet point that each pixel sees. height : the sheet's height map [mm]."""
    columns, rows = (int(np.ceil(side / STEP)) + 2 for side in pose.size)
    u, v = np.meshgrid(
        (np.arange(columns) - 0.5) * STEP - 0.5, (np.arange(rows) - 0.5) * STEP - 0.5, indexing="xy"
    )
    a, b = (u - pose.size[0] / 2), (v - pose.size[1] / 2)
    bent = 1 + pose.bend * (a * a + b * b) / (np.hypot(*pose.size) / 2) ** 2
    a = (a * bent + pose.size[0] / 2 - pose.centre[0]) / pose.focal
    b = (b * bent + pose.size[1] / 2 - pose.centre[1]) / pose.focal
    ray = a[..., None] * pose.right + b[..., None] * pose.down + pose.forward
    z = np.zeros_like(a)
    for _ in range(3):
        along = (z - pose.eye[2]) / ray[..., 2]
        x, y = pose.eye[0] + along * ray[..., 0], pose.eye[1] + along * ray[..., 1]
        at_x = (x * px_per_mm + height.shape[1] / 2 - 0.5).astype(np.float32)
        at_y = (y * px_per_mm + height.shape[0] / 2 - 0.5).astype(np.float32)
        z = cv2.remap(height, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    drawn = (columns * STEP, rows * STEP)
    inner = np.s_[STEP : STEP + pose.size[1], STEP : STEP + pose.size[0]]
    full_x = cv2.resize(x.astype(np.float32), drawn, interpolation=cv2.INTER_LINEAR)[inner]
    full_y = cv2.resize(y.astype(np.float32), drawn, interpolation=cv2.INTER_LINEAR)[inner]
    return np.ascontiguousarray(full_x), np.ascontiguousarray(full_y)


def vignette(size: tuple[int, int], strength: float) -> FloatArray:
    """(H, W) light that the lens lets through towards the corners, 1 in the middle."""
    x = (np.arange(size[0], dtype=np.float32) - size[0] / 2) / (max(size) / 2)
    y = (np.arange(size[1], dtype=np.float32) - size[1] / 2) / (max(size) / 2)
    return np.asarray(1 / (1 + strength * (x[None, :] ** 2 + y[:, None] ** 2)) ** 2, np.float32)
