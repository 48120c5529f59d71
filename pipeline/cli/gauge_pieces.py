"""How far has a long gauge file been read? Its pieces as they come, and a bar for who watches.

On a terminal alone, and of a file that takes more than a moment: what a script reads stays as it is.
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from pipeline.derive.gauges.recording import Recording
from pipeline.gaugefile import read_pieces

# About a second of reading; gzipped files are a quarter of their rows' size.
LONG_BYTES: Final = 64_000_000


def watched_pieces(path: Path) -> Iterator[Recording]:
    """As read_pieces."""
    size = path.stat().st_size if path.is_file() else 0
    if size * (4 if path.suffix == ".gz" else 1) < LONG_BYTES or not sys.stderr.isatty():
        yield from read_pieces(path)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(path.name, total=size)
        yield from read_pieces(path, told=lambda read: progress.update(task, completed=read))
