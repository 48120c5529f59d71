"""What does a smooth random field look like? Gaussian values on a coarse grid, drawn out by cubic splines."""

import cv2
import numpy as np

from tests.shop.otherphoto import PX_PER_MM, FloatArray


def smooth(
    rng: np.random.Generator, shape: tuple[int, int], across_mm: float, along_mm: float = 0.0
) -> FloatArray:
    """A field of mean about 0 and spread about 1, `across_mm` between its knots in x, `along_mm` in y.

    shape : (H, W) at PX_PER_MM
    """
    along_mm = along_mm or across_mm
    rows = max(4, int(shape[0] / (along_mm * PX_PER_MM)) + 3)
    columns = max(4, int(shape[1] / (across_mm * PX_PER_MM)) + 3)
    knots = rng.standard_normal((rows, columns)).astype(np.float32)
    size = (int(np.ceil(columns * across_mm * PX_PER_MM)), int(np.ceil(rows * along_mm * PX_PER_MM)))
    size = (max(size[0], shape[1]), max(size[1], shape[0]))
    field: FloatArray = cv2.resize(knots, size, interpolation=cv2.INTER_CUBIC)[: shape[0], : shape[1]]
    return field / np.float32(
        0.75
    )  # a cubic between independent knots has about three quarters of their spread


def warped(field: FloatArray, dx: FloatArray | float, dy: FloatArray | float) -> FloatArray:
    """The field read `dx`, `dy` pixels further on; beyond its edge the edge's value."""
    height, width = field.shape[:2]
    x = np.arange(width, dtype=np.float32)[None, :] + np.asarray(dx, np.float32)
    y = np.arange(height, dtype=np.float32)[:, None] + np.asarray(dy, np.float32)
    x, y = (np.ascontiguousarray(np.broadcast_to(c, (height, width))) for c in (x, y))
    out: FloatArray = cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out
