"""What does the shop print? The program's own sheets, made through its command."""

import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from tests.shop.otherphoto import FloatArray
from tests.shop.otherphoto.plan import PAGES


@cache
def printed_pages() -> dict[str, FloatArray]:
    """(H, W) grey 0 to 1 of each page size, by name."""
    program = Path(sys.executable).parent / "beadbook"
    pages = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in PAGES:
            out = Path(folder) / f"{name}.png"
            command = [program, "sheet", "--page", name, "--dpi", "400", "--out", out]
            subprocess.run([str(word) for word in command], check=True, capture_output=True)
            image = cv2.imread(str(out), cv2.IMREAD_GRAYSCALE)
            assert image is not None
            pages[name] = np.asarray(image.astype(np.float32) / 255)
    return pages
