"""How are many photographs scored? One after the other, or by a process for each core, in the order given."""

import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context, parent_process
from pathlib import Path
from typing import Final

import cv2

from edge.errors import InputError
from pipeline.derive.smear.results import Material, SmearLimits, SmearScore
from pipeline.photos import read_photo_file, score_bytes, score_photo, shown

Result = SmearScore | InputError
_STEM_BYTES_MAX: Final = 230


def score_files(
    files: Sequence[Path],
    overlays: Path | None = None,
    *,
    workers: bool,
    limits: SmearLimits | None = None,
    material: Material | None = None,
) -> Iterator[tuple[Path, Result]]:
    """Each file with its score, or with the InputError that says why it has none.

    overlays : folder for a JPEG of each photograph, named after it
    """
    names = _overlay_names(files) if overlays else [None] * len(files)
    targets = [overlays / name if overlays and name else None for name in names]
    work = partial(_score_file, limits=limits, material=material)
    if not workers:
        for file, target in zip(files, targets, strict=True):
            yield file, work(file, target)
        return
    count = min(len(files), len(os.sched_getaffinity(0)))
    # A process for each core leaves no room for threads; NumPy's library asks when it is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Not forked: OpenCV's threads do not survive a fork.
    pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_as_worker)
    try:
        with _born_deaf():
            futures = [pool.submit(work, *job) for job in zip(files, targets, strict=True)]
        for file, future in zip(files, futures, strict=True):
            try:
                yield file, future.result()
            except BrokenProcessPool:
                yield (
                    file,
                    InputError(
                        "the scoring process ended early",
                        where=shown(file),
                        do="score it alone, or free some memory",
                    ),
                )
    finally:
        # Whoever stops early waits for the photographs in work alone.
        pool.shutdown(cancel_futures=True)


@contextmanager
def _born_deaf() -> Iterator[None]:
    """What is started here never hears the terminal's interrupt, which goes to all: the process that was
    asked ends the others. It hears its own when this is done.
    """
    heard = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, heard)


def _as_worker() -> None:
    cv2.setNumThreads(1)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _end_with_parent() -> None:
    """A parent that was killed ends no pool, and its workers would wait for work until the machine stops."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _score_file(
    file: Path, target: Path | None, *, limits: SmearLimits | None, material: Material | None
) -> Result:
    where = shown(file)
    try:
        data = read_photo_file(file)
        if target is None:
            return score_bytes(data, limits, material, where)
        result, picture = score_photo(data, limits, material, where)
        target.write_bytes(picture)
    except InputError as error:
        return error
    except MemoryError:
        return InputError("too large for this machine's memory", where=where, do="export it smaller")
    except OSError as error:
        return InputError(
            f"its overlay cannot be written ({error.strerror})",
            where=shown(target or file),
            do="choose another folder",
        )
    return result


def _overlay_names(files: Sequence[Path]) -> list[str]:
    """One name a file, told apart by a number where two photographs are called the same."""
    names: dict[str, None] = {}
    for file in files:
        # A name may be as long as the disk allows, and the overlay's is longer.
        stem = os.fsdecode(os.fsencode(file.stem)[:_STEM_BYTES_MAX])
        name, n = f"{stem}.overlay.jpg", 2
        while name in names:
            name, n = f"{stem}-{n}.overlay.jpg", n + 1
        names[name] = None
    return list(names)
