"""Which picture stands beside a verdict? The photograph with its overlay, small enough for a page."""

import base64
from pathlib import Path
from typing import Final

import cv2
import numpy as np

WIDTH_PX: Final = 480
_QUALITY: Final = 72


def picture_uri(home: Path, sha256: str) -> str | None:
    """The picture as a data URI; None if there is none."""
    jpeg = picture(home, sha256)
    return None if jpeg is None else "data:image/jpeg;base64," + base64.b64encode(jpeg).decode()


def picture(home: Path, sha256: str) -> bytes | None:
    """A small JPEG: the overlay if there is one, else the photograph; None if neither can be read."""
    for path in (home / "overlays" / f"{sha256}.jpg", home / "photos" / sha256[:2] / sha256):
        try:
            data = np.frombuffer(path.read_bytes(), np.uint8)
        except OSError:
            continue
        if data.size == 0:
            continue
        small = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if small is None:
            continue
        height, width = small.shape[:2]
        if width > WIDTH_PX:
            size = (WIDTH_PX, max(1, round(height * WIDTH_PX / width)))
            small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
        done, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        if done:
            return jpeg.tobytes()
    return None
