"""Which arrays go between the rooms? Names for what a plain array type does not say."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

# Loose, since OpenCV's own types are: shapes, ranges and units stand in each docstring.
FloatArray = NDArray[Any]  # float32
PixelArray = NDArray[Any]  # uint8 or uint16, sRGB
BoolArray = NDArray[np.bool_]
Matrix = NDArray[Any]  # float64


def full_scale(rgb: PixelArray) -> int:
    """The level of white: 255 or 65535."""
    return int(np.iinfo(rgb.dtype).max)


def eight_bit(rgb: PixelArray) -> NDArray[np.uint8]:
    """The same picture in 8 bits."""
    return np.asarray(rgb if rgb.dtype == np.uint8 else rgb >> 8, np.uint8)
