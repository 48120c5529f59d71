"""What do files bring? Gauge files, recorded streams, photographs, through the same door as messages.

Landing a file again adds nothing, so an import that was stopped is simply called again.
"""

import hashlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, tzinfo
from io import BytesIO
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from PIL import Image, UnidentifiedImageError

from edge.errors import CallError, InputError
from edge.sources import Event
from edge.sources.photos import SUFFIXES, photo_event
from edge.sources.stream import parse_line, stream_lines
from edge.wire import PHOTO_BYTES_MAX, Address, Channel
from pipeline.gaugefile import read_recording
from pipeline.land.batch import Batch, Landed, Message
from pipeline.land.landing import Landing
from pipeline.land.samples import Origin, Samples, one_a_moment

# What a row's `edge` says when no edge sent it.
EDGE: Final = "import"
_ROWS_TOGETHER: Final = 500_000
_LINES_TOGETHER: Final = 1_000
_BYTES_TOGETHER: Final = 64 * 1024 * 1024
# EXIF 2.32: DateTimeOriginal, OffsetTimeOriginal, and the directory they stand in.
_TAKEN, _TAKEN_OFFSET, _EXIF = 0x9003, 0x9011, 0x8769


class Labels(NamedTuple):
    """What a file does not say itself. taken_at : None to ask the photograph; zone : of the camera."""

    site: str
    pump: str | None = None
    by: str | None = None
    sheet: str | None = None
    taken_at: datetime | None = None
    zone: tzinfo = UTC


def files_below(paths: list[Path]) -> list[Path]:
    """The files named, and in folders named, those whose kind is known, by name. Raises InputError."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(one for one in path.rglob("*") if one.is_file() and _is_ours(one))
        elif path.exists():
            found.append(path)
        else:
            raise InputError("is not there", where=str(path), do="check the name")
    return found


def check_labels(files: list[Path], labels: Labels) -> None:
    """Raise CallError where a file needs a label that is not given, so that nothing is landed by halves."""
    for file in files:
        if not _is_stream(file):
            _needed(labels.pump, file, "--pump")
        if _is_photo(file):
            _needed(labels.by, file, "--by")


def _is_stream(path: Path) -> bool:
    return ".ndjson" in path.suffixes


def _is_photo(path: Path) -> bool:
    return path.suffix.lower() in SUFFIXES and not _is_stream(path)


def _is_ours(path: Path) -> bool:
    return _is_photo(path) or _is_stream(path) or ".csv" in path.suffixes


def land_file(
    landing: Landing,
    path: Path,
    labels: Labels,
    moved: Callable[[Landed], None],
    refused: Callable[[str], None],
) -> None:
    """Land one file; what can't be landed is set aside.

    moved : called after each commit
    refused : called with the reason for each thing set aside
    Raises CallError if it needs a label that is not given.
    """
    try:
        if _is_stream(path):
            _land_stream(landing, path, labels, moved, refused)
        elif _is_photo(path):
            _land_photo(landing, path, labels, moved, refused)
        else:
            _land_gauges(landing, path, labels, moved)
    except InputError as error:
        refused(str(error))
        batch = landing.batch()
        if path.is_file():
            batch.set_aside(_topic(path), _evidence(path), _address(labels, Channel.GAUGES), error)
        moved(batch.commit())


def _land_gauges(landing: Landing, path: Path, labels: Labels, moved: Callable[[Landed], None]) -> None:
    pump = _needed(labels.pump, path, "--pump")
    recording = read_recording(path)
    for start in range(0, len(recording.at_us), _ROWS_TOGETHER):
        rows = slice(start, start + _ROWS_TOGETHER)
        at_us = recording.at_us[rows]
        values = {gauge: column[rows] for gauge, column in recording.gauges.items()}
        told = np.zeros(len(at_us), bool)
        for column in values.values():
            told |= np.isfinite(column)
        samples = Samples(at_us, values, np.zeros(len(at_us), np.int64), [Origin(EDGE, None, None)])
        batch = landing.batch()
        if told.any():
            batch.add_samples(labels.site, pump, one_a_moment(samples.where(told)))
        moved(batch.commit())


def _land_photo(
    landing: Landing,
    path: Path,
    labels: Labels,
    moved: Callable[[Landed], None],
    refused: Callable[[str], None],
) -> None:
    event = photo_event(
        path,
        pump=_needed(labels.pump, path, "--pump"),
        by=_needed(labels.by, path, "--by"),
        taken_at=labels.taken_at or taken_at(path, labels.zone),
        sheet=labels.sheet,
    )
    batch = landing.batch()
    reason = _taken(batch, path, labels, event)
    if reason is not None:
        refused(reason)
    moved(batch.commit())


def _land_stream(
    landing: Landing,
    path: Path,
    labels: Labels,
    moved: Callable[[Landed], None],
    refused: Callable[[str], None],
) -> None:
    for lines in _together(stream_lines(path)):
        batch = landing.batch()
        for where, line in lines:
            try:
                event = parse_line(line, where, labels.site, path.parent)
            except InputError as error:
                refused(str(error))
                batch.set_aside(_topic(path), line, _address(labels, Channel.RECORD), error)
                continue
            reason = _taken(batch, path, labels, event)
            if reason is not None:
                refused(f"{where}: {reason}")
        moved(batch.commit())


def _taken(batch: Batch, path: Path, labels: Labels, event: Event) -> str | None:
    """Put an event into the batch as if it had come by the broker; why not, if it is set aside."""
    message = Message(_topic(path), event.payload, datetime.now(UTC))
    return batch.take(_address(labels, event.channel), message)


def _together(lines: Iterator[tuple[str, bytes]]) -> Iterator[list[tuple[str, bytes]]]:
    kept: list[tuple[str, bytes]] = []
    size = 0
    for where, line in lines:
        kept.append((where, line))
        size += len(line)
        if len(kept) >= _LINES_TOGETHER or size >= _BYTES_TOGETHER:
            yield kept
            kept, size = [], 0
    if kept:
        yield kept


def taken_at(path: Path, zone: tzinfo) -> datetime:
    """When a photograph was taken, by its EXIF. zone : of the camera's clock where it tells no offset.

    Raises InputError if it does not say.
    Source: CIPA DC-008 (EXIF 2.32), DateTimeOriginal and OffsetTimeOriginal.
    """
    try:
        with Image.open(BytesIO(path.read_bytes())) as image:
            told = image.getexif().get_ifd(_EXIF)
        text = f"{told[_TAKEN]}".strip("\0 ")
        moment = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
        offset = f"{told.get(_TAKEN_OFFSET, '')}".strip("\0 ")
        if offset:
            return datetime.fromisoformat(f"{moment.isoformat()}{offset}")
        return moment.replace(tzinfo=zone)
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, SyntaxError, KeyError, ValueError):
        raise InputError(
            "does not say when it was taken", where=str(path), do="give --taken-at with an offset"
        ) from None


def _needed(value: str | None, path: Path, option: str) -> str:
    if value is None:
        raise CallError(f"needs {option}", where=str(path), do=f"call again with {option}")
    return value


def _address(labels: Labels, channel: Channel) -> Address:
    return Address(labels.site, EDGE, channel)


def _topic(path: Path) -> str:
    return f"file {path.name}"


def _evidence(path: Path) -> bytes:
    """The file's bytes, or of one too large to be copied, its digest."""
    if path.stat().st_size <= PHOTO_BYTES_MAX:
        return path.read_bytes()
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while part := file.read(1 << 20):
            digest.update(part)
    return f"{path} sha256 {digest.hexdigest()}".encode()
