"""What does the camera at the pump see? One picture, once light and focus have settled.

OpenCV is asked for only here: on a board without it the folder of photographs does the same.
"""

import hashlib
from datetime import UTC, datetime
from typing import Any, Final

import msgspec

from edge.errors import CallError, InputError
from edge.sources import Event
from edge.wire import Channel, PhotoHead, frame_photo

# A camera that has just been opened gives dark and blurred frames first.
SETTLE_FRAMES: Final = 15
_QUALITY: Final = 95
# More than any camera has: it gives the largest size that it knows.
_WANTED_PX: Final = 10_000


def take_photo(camera: str) -> bytes:
    """A JPEG from a camera. camera : its number, a device such as /dev/video0, or a stream's URL

    Raises CallError without OpenCV, InputError if the camera gives no picture.
    """
    where = f"camera {camera.rpartition('@')[2]}"  # a stream's URL may hold a password
    try:
        import cv2
    except ImportError:
        raise CallError(
            "OpenCV is not installed", where=where, do="install opencv-python-headless, or watch a folder"
        ) from None
    # OpenCV tells of every driver that it tried; what matters is said below, in one sentence.
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    device = cv2.VideoCapture(int(camera) if camera.isdecimal() else camera)
    try:
        if not device.isOpened():
            raise InputError(
                "can't be opened", where=where, do="check its number, and that nobody else uses it"
            )
        device.set(cv2.CAP_PROP_FRAME_WIDTH, _WANTED_PX)
        device.set(cv2.CAP_PROP_FRAME_HEIGHT, _WANTED_PX)
        frame = _settled(device)
        if frame is None:
            raise InputError("gives no picture", where=where, do="unplug it and try again")
        done, data = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    finally:
        device.release()
    if not done:
        raise InputError("gives no picture that can be kept", where=where, do="choose another camera")
    return bytes(data.tobytes())


def camera_event(camera: str, *, pump: str, by: str, sheet: str | None = None) -> Event:
    """The message with a picture taken now. Raises what `take_photo` does, and InputError for a bad field."""
    photo, now = take_photo(camera), datetime.now(UTC)
    head = {
        "sha256": hashlib.sha256(photo).hexdigest(),
        "pump": pump,
        "taken_at": now,
        "by": by,
        "sheet": sheet,
        "name": f"camera-{now:%Y%m%dT%H%M%SZ}.jpg",
    }
    try:
        checked = msgspec.convert(head, PhotoHead)
    except msgspec.ValidationError as error:
        raise InputError(f"can't be sent so: {error}", where="photo", do="mend that field") from None
    return Event(round(now.timestamp() * 1e6), Channel.PHOTO, frame_photo(checked, photo))


def _settled(device: Any) -> Any:
    """The last of the first frames there are; None if there is none."""
    last = None
    for _ in range(SETTLE_FRAMES):
        done, frame = device.read()
        if not done:
            break
        last = frame
    return last
