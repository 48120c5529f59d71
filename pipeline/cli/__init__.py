"""Which commands are there? The edge's, and the pipeline's one room a file.

Each command imports its room when it runs, so that `beadbook --help` is quick and the edge's commands work
where the pipeline's libraries are not installed.
"""

import sys

from edge.cli import app, run
from pipeline.cli import demo, gauges, guard, judge, land, operate, show, smear  # noqa: F401  each registers its commands

# Modules whose errors tell of a table's files.
_STORES = frozenset({"_duckdb", "duckdb", "deltalake", "_internal", "pyarrow"})


def main() -> None:
    """The `beadbook` command."""
    try:
        run(app)
    except ImportError as error:
        if error.name and error.name.split(".")[0] in ("edge", "pipeline"):
            raise
        # A board with the edge's libraries alone, or a system without what OpenCV links to.
        print(
            f"beadbook: {sys.argv[1]}: a library is not there ({error}); "
            "install 'beadbook[pipeline]', and on a bare Debian libgl1 and libglib2.0-0.",
            file=sys.stderr,
        )
        sys.exit(2)
    except Exception as error:
        if type(error).__module__.partition(".")[0] not in _STORES:
            raise
        said = next(iter(str(error).splitlines()), type(error).__name__).rstrip(".")
        print(
            f"beadbook: history: a table can't be read ({said}); "
            "run `beadbook logbook verify`, and bring back from a copy what it names.",
            file=sys.stderr,
        )
        sys.exit(3)
