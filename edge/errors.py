"""How do we tell a person what went wrong? One sentence: what, where, what to do."""

from typing import Any


class BeadbookError(Exception):
    """Anything we tell a person in one sentence instead of a traceback."""

    exit_status = 1

    def __init__(self, what: str, *, where: str, do: str) -> None:
        super().__init__(f"{where}: {what}; {do}.")
        self.what = what
        self.where = where
        self.do = do

    def __reduce__(self) -> tuple[Any, ...]:
        # By itself an exception with keyword arguments does not survive the way to another process.
        return _again, (type(self), self.what, self.where, self.do)


class InputError(BeadbookError):
    """Input that can't be used: exit status 3."""

    exit_status = 3


class CallError(BeadbookError):
    """A call that is wrong in itself: exit status 2."""

    exit_status = 2


def _again(kind: type[BeadbookError], what: str, where: str, do: str) -> BeadbookError:
    return kind(what, where=where, do=do)
