"""What varies smoothly and by chance? Random fields with a chosen wavelength, the same for the same seed."""

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


def smooth(rng: np.random.Generator, shape: tuple[int, int], cell: float | tuple[float, float]) -> Field:
    """Random field of mean 0 and spread about 1.

    shape : (height, width) of the field
    cell : pixels from one independent value to the next, along both axes or as (down, across)
    Returns (height, width) float32.
    """
    down, across = cell if isinstance(cell, tuple) else (cell, cell)
    height, width = shape
    coarse = int(min(down, across) // 6)
    if coarse > 1:
        # Smooth enough to be drawn small and stretched.
        small = smooth(rng, (height // coarse + 2, width // coarse + 2), (down / coarse, across / coarse))
        large = (small.shape[1] * coarse, small.shape[0] * coarse)
        return cv2.resize(small, large, interpolation=cv2.INTER_LINEAR)[:height, :width]
    rows, columns = int(np.ceil(height / down)) + 4, int(np.ceil(width / across)) + 4
    values = rng.standard_normal((rows, columns), dtype=np.float32)
    left, top = rng.uniform(1.0, 2.0, 2)
    # The grid is laid at a random offset, so that no field's grid lines fall together with another's.
    to_grid = np.array([[1 / across, 0, left], [0, 1 / down, top]])
    field = cv2.warpAffine(values, to_grid, (width, height), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    return field / np.float32(0.72)  # bicubic interpolation takes that much of the spread


def fractal(
    rng: np.random.Generator,
    shape: tuple[int, int],
    cell: float | tuple[float, float],
    octaves: int,
    gain: float = 0.5,
) -> Field:
    """Smooth fields added up, each of half the wavelength and `gain` times the height; spread about 1."""
    total, weight = np.zeros(shape, np.float32), 0.0
    scale = np.array(cell if isinstance(cell, tuple) else (cell, cell))
    for octave in range(octaves):
        down, across = np.maximum(scale / 2**octave, 1.5)
        total += np.float32(gain**octave) * smooth(rng, shape, (float(down), float(across)))
        weight += gain ** (2 * octave)
    return total / np.float32(np.sqrt(weight))


def ramp(values: Field, low: float, high: float) -> Field:
    """0 below `low`, 1 above `high`, a smooth step between."""
    t = np.clip((values - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
