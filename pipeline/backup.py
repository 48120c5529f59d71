"""How does a home come back after its disk is gone? A copy made while landing runs, and put in place again.

For the moment in which the tables' logs are copied no commit is made, so that what one table says of a stream
holds for all of them. Data files never change once they are named: they are copied after that, in peace. The
copy is whole or not there: it is made beside its name and renamed at the end.
"""

import json
import logging
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from edge.errors import InputError
from edge.files import make_durable
from pipeline.chain import FOLDER as CHAINS
from pipeline.history import History
from pipeline.seal import FILE_NAME as SEALS
from pipeline.seal import check
from pipeline.tables import DERIVED, LANDED, TABLES

log = logging.getLogger(__name__)

# Small files that must be of the same moment as the logs, and folders whose files never change.
_OF_THE_MOMENT: Final = (SEALS, "behind.json", "landing.id", "site.toml", "thinned.json")
_FOLDERS_OF_THE_MOMENT: Final = (CHAINS,)
_EVIDENCE: Final = ("photos", "rejected", "overlays")
_TRIES: Final = 3


class Copied(NamedTuple):
    """What a backup holds. bytes : of all its files."""

    files: int
    bytes: int


def back_up(home: Path, to: Path) -> Copied:
    """Copy a home, also while it lands; durable on return.

    Raises InputError if `to` is there already, or what was copied is not whole.
    """
    if to.exists():
        raise InputError("is there already", where=str(to), do="name a new folder for each backup")
    part = to.with_name(f".{to.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    history = History(home)
    with history.committing():
        for name in LANDED:
            _copy_log(home, part, name)
        for file in _OF_THE_MOMENT:
            if (home / file).exists():
                shutil.copy2(home / file, part / file)
        for folder in _FOLDERS_OF_THE_MOMENT:
            if (home / folder).is_dir():
                shutil.copytree(home / folder, part / folder)
    for name in LANDED:
        _copy_named(home, part, name)
    for name in DERIVED:
        _copy_derived(home, part, name)
    for folder in _EVIDENCE:
        if (home / folder).is_dir():
            shutil.copytree(home / folder, part / folder, ignore=shutil.ignore_patterns("*.part"))
    wrong = faults(part)
    if wrong:
        raise InputError(
            f"the copy is not whole: {wrong[0]}", where=str(to), do="see the disk, and try again"
        )
    paths = [path for path in part.rglob("*") if path.is_file()]
    make_durable([*paths, *(path for path in part.rglob("*") if path.is_dir()), part])
    part.rename(to)
    make_durable([to.parent])
    return Copied(len(paths), sum((to / path.relative_to(part)).stat().st_size for path in paths))


def restore(backup: Path, home: Path) -> Copied:
    """Put a backup in place as a home; durable on return.

    Raises InputError if the backup is not whole, or something is at `home` already.
    """
    wrong = faults(backup)
    if wrong:
        raise InputError(f"is not whole: {wrong[0]}", where=str(backup), do="take an earlier backup")
    if home.exists() and any(home.iterdir()):
        raise InputError(
            "is not empty", where=str(home), do="move it away first, or restore to another folder"
        )
    if home.exists():
        home.rmdir()
    part = home.with_name(f".{home.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    shutil.copytree(backup, part)
    paths = [path for path in part.rglob("*") if path.is_file()]
    make_durable([*paths, *(path for path in part.rglob("*") if path.is_dir()), part])
    part.rename(home)
    make_durable([home.parent])
    return Copied(len(paths), sum((home / path.relative_to(part)).stat().st_size for path in paths))


def faults(home: Path) -> list[str]:
    """A sentence for everything that a home's tables name and that is not there, or not as it was sealed."""
    if not (home / "history").is_dir():
        return [f"{home} holds no history."]
    history = History(home)
    named: dict[str, set[str]] = {}
    wrong = []
    for name in TABLES:
        files = history.files_below(name)
        wrong += [
            f"table {name}: file {file} is gone."
            for file in sorted(files)
            if not (home / "history" / name / file).is_file()
        ]
        if name in LANDED:
            named[name] = files
    wrong += [
        f"photograph {digest} is gone."
        for digest in history.read("photos", columns=["sha256"])["sha256"].to_pylist()
        if not (home / "photos" / digest[:2] / digest).is_file()
    ]
    return wrong + check(home, named)[1]


def _copy_log(home: Path, to: Path, name: str) -> None:
    source = home / "history" / name / "_delta_log"
    if source.is_dir():
        shutil.copytree(source, to / "history" / name / "_delta_log")


def _copy_named(home: Path, to: Path, name: str) -> None:
    """Copy the files that the copied log names."""
    for file in _named_below(to, name):
        target = to / "history" / name / file
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(home / "history" / name / file, target)


def _named_below(to: Path, name: str) -> Iterator[str]:
    yield from sorted(History(to).files_below(name))


def _copy_derived(home: Path, to: Path, name: str) -> None:
    """Copy a table that may be written to meanwhile: again, where a file went away under our hands."""
    for tries in range(_TRIES):
        shutil.rmtree(to / "history" / name, ignore_errors=True)
        try:
            _copy_log(home, to, name)
            _copy_named(home, to, name)
            return
        except (FileNotFoundError, shutil.Error, json.JSONDecodeError):
            if tries == _TRIES - 1:
                raise
