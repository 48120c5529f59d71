"""What does a smear test look like to a phone? A second renderer, unlike photographs.py.

Everything is in one frame: x right, y down, z towards the viewer, millimetres from the sheet's centre; the
fold is the line x = 0. `s` is the distance from the fold. Maps of the sheet hold PX_PER_MM pixels a
millimetre.
"""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

PX_PER_MM = 8.0
TRUTH_PX_PER_MM = (
    4.0  # finer than this no phone at arm's length tells apart: the truth is averaged to it first
)
