"""What is under and around the film?

A folded white sheet, buckled; its print; the table; the operator's writing.
"""

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray
from tests.shop.otherphoto.smooth import smooth

PAPER = (0.80, 0.88)  # reflectance of office paper; a little blue where it carries brightener


def fibres(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    """(H, W) about 1: the paper's cloudiness and its fibres, within about 2 %."""
    grain = rng.standard_normal((shape[0] // 2 + 1, shape[1] // 2 + 1)).astype(np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), 1.0) * 3
    grain = cv2.resize(grain, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(1 + 0.005 * grain + 0.004 * smooth(rng, shape, 3.0), np.float32)


def buckle(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """(H, W) height [mm] of a sheet that was folded and opened: a roof or a valley at the fold, and waves."""
    steep = np.tan(np.radians(rng.uniform(1.0, 8.0))) * rng.choice([-1, 1])
    soft = rng.uniform(1.0, 5.0)
    fold = np.sqrt(x * x + soft * soft) * np.exp(-((x / rng.uniform(60, 140)) ** 2))
    waves = rng.uniform(0.2, 0.9) * np.sin(
        x / rng.uniform(25, 50) + y / rng.uniform(30, 70) + rng.uniform(0, 6)
    )
    waves += (
        rng.uniform(0.1, 0.5) * np.sin(y / rng.uniform(18, 35) + rng.uniform(0, 6)) * np.exp(-np.abs(x) / 40)
    )
    crease = -0.06 * np.exp(-((x / 0.35) ** 2))
    return np.asarray(steep * fold + waves + crease, np.float32)


def print_reflectance(page: FloatArray, shape: tuple[int, int], gain: float, toner: float) -> FloatArray:
    """(H, W) 0 to 1 of the paper's own: a page of the program, printed.

    gain : how printing bends mid tones.
    """
    grey = cv2.resize(page, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4) ** gain
    return np.asarray(toner + (1 - toner) * linear, np.float32)


def writing(rng: np.random.Generator, reflect: FloatArray, keep_off: FloatArray) -> FloatArray:
    """A date and a lot written by pen where no film lies: (H, W, 3) reflectance, with strokes of ink."""
    height, width = keep_off.shape
    ink = np.array([0.06, 0.08, 0.25] if rng.random() < 0.6 else [0.05, 0.05, 0.06], np.float32)
    sheet = np.zeros((height, width), np.uint8)
    for _ in range(int(rng.integers(1, 4))):
        at_x, at_y = rng.uniform(0.05, 0.7) * width, rng.uniform(0.05, 0.93) * height
        letter = rng.uniform(2.5, 5.0) * PX_PER_MM
        for _ in range(int(rng.integers(4, 11))):
            turn = np.cumsum(rng.normal(0, 1.0, 14))
            path = np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]), axis=0) * letter / 6
            path = np.round((path - path.mean(axis=0) + [at_x, at_y]) * 8).astype(np.int32)
            cv2.polylines(sheet, [path[:, None]], False, 255, max(2, int(0.45 * PX_PER_MM)), cv2.LINE_AA, 3)
            at_x += letter * rng.uniform(0.7, 1.0)
    cover = (sheet.astype(np.float32) / 255 * (1 - keep_off))[..., None] * 0.9
    return np.asarray(reflect * (1 - cover) + ink * cover, np.float32)


def table(rng: np.random.Generator, shape: tuple[int, int], px_per_mm: float) -> FloatArray:
    """(H, W, 3) reflectance of the bench: wood, steel, cardboard, rubber, laminate or paint."""
    kind = str(rng.choice(["wood", "steel", "cardboard", "rubber", "laminate", "paint"]))
    scale = px_per_mm / PX_PER_MM  # smooth() counts in sheet pixels
    base = {
        "wood": [0.42, 0.26, 0.14], "steel": [0.33, 0.34, 0.35], "cardboard": [0.44, 0.31, 0.19],
        "rubber": [0.045, 0.045, 0.05], "laminate": [0.60, 0.59, 0.56], "paint": [0.12, 0.20, 0.26],
    }[kind]  # fmt: skip
    colour = np.asarray(base, np.float32) * rng.uniform(0.8, 1.2)
    grain = 0.05 * smooth(rng, shape, 40 * scale) + 0.03 * smooth(rng, shape, 2 * scale)
    if kind == "wood":
        rings = (
            smooth(rng, shape, 160 * scale, 14 * scale) * 5
            + smooth(rng, shape, 60 * scale, 1.2 * scale) * 0.6
        )
        grain = grain + 0.16 * np.sin(rings) + 0.08 * smooth(rng, shape, 90 * scale, 1.0 * scale)
    if kind == "steel":
        grain = grain + 0.07 * smooth(rng, shape, 120 * scale, 0.8 * scale)
    if kind == "cardboard":
        grain = grain + 0.03 * np.sin(np.arange(shape[0])[:, None] / px_per_mm * 2 * np.pi / 6.5)
    out = colour * np.clip(1 + grain, 0.3, 1.8)[..., None]
    for _ in range(int(rng.integers(0, 9))):  # dried sealant, dirt, scratches
        at = (int(rng.uniform(0, shape[1])), int(rng.uniform(0, shape[0])))
        to = (at[0] + int(rng.normal(0, 40) * px_per_mm), at[1] + int(rng.normal(0, 12) * px_per_mm))
        shade = tuple(float(v) for v in colour * rng.choice([0.4, 1.5]))
        cv2.line(out, at, to, shade, max(1, int(rng.uniform(0.3, 1.5) * px_per_mm)), cv2.LINE_AA)
    return np.asarray(np.clip(out, 0.01, 0.9), np.float32)
