"""How do we tell a person what went wrong? One sentence: what, where, what to do."""


class BeadbookError(Exception):
    """Anything we tell a person in one sentence instead of a traceback."""

    exit_status = 1

    def __init__(self, what: str, *, where: str, do: str) -> None:
        super().__init__(f"{where}: {what}; {do}.")
        self.what = what
        self.where = where
        self.do = do


class InputError(BeadbookError):
    """Input that can't be used: exit status 3."""

    exit_status = 3


class CallError(BeadbookError):
    """A call that is wrong in itself: exit status 2."""

    exit_status = 2
