"""Which picture stands beside a verdict? The photograph with its overlay, small enough for a page."""

import base64
from pathlib import Path
from typing import Final

import cv2
import numpy as np

WIDTH_PX: Final = 480
_QUALITY: Final = 72


def picture_uri(home: Path, sha256: str) -> str | None:
    """A JPEG as a data URI: the overlay if there is one, else the photograph; None if neither can be read."""
    for path in (home / "overlays" / f"{sha256}.jpg", home / "photos" / sha256[:2] / sha256):
        try:
            data = np.frombuffer(path.read_bytes(), np.uint8)
        except OSError:
            continue
        if data.size == 0:
            continue
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if picture is None:
            continue
        height, width = picture.shape[:2]
        if width > WIDTH_PX:
            size = (WIDTH_PX, max(1, round(height * WIDTH_PX / width)))
            picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        done, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        if done:
            return "data:image/jpeg;base64," + base64.b64encode(jpeg.tobytes()).decode()
    return None
