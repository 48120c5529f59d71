"""Which questions have been asked before? One SQL statement a file in questions/, by its name."""

from importlib import resources
from importlib.resources.abc import Traversable
from typing import Final

from edge.errors import CallError

_FOLDER: Final = "questions"


def named_question(name: str) -> str:
    """The statement of that name. Raises CallError naming those there are."""
    known = {file.name.removesuffix(".sql"): file for file in _files()}
    if name not in known:
        raise CallError(
            f"no question {name!r}", where="--named", do=f"take one of {', '.join(sorted(known))}"
        )
    return known[name].read_text(encoding="utf-8")


def question_lines() -> list[str]:
    """Name and question of each, a line each, in order of name."""
    heads = (file.read_text(encoding="utf-8").splitlines()[0] for file in _files())
    return sorted(head.removeprefix("-- ") for head in heads)


def _files() -> list[Traversable]:
    folder = resources.files("pipeline.join").joinpath(_FOLDER)
    return [file for file in folder.iterdir() if file.name.endswith(".sql")]
