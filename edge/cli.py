"""Which commands does the edge have? Parses, calls one room, prints, sets the exit status."""

import sys

import typer

from edge.errors import BeadbookError

app = typer.Typer(
    no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False
)


def run(commands: typer.Typer) -> None:
    """Run the command line; what a person did wrong ends in one sentence and its exit status."""
    try:
        commands()
    except BeadbookError as error:
        print(f"beadbook: {error}", file=sys.stderr)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # The reader (head, less) has gone: nothing is wrong, and nothing more can be said to it.
        sys.stderr.close()
        sys.exit(0)
