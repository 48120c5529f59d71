"""Which commands are there? The edge's, and the pipeline's one room a file.

Each command imports its room when it runs, so that `beadbook --help` is quick and the edge's commands work
where the pipeline's libraries are not installed.
"""

from edge.cli import app, run
from pipeline.cli import demo, gauges, land, show, smear  # noqa: F401  each registers its commands on `app`


def main() -> None:
    """The `beadbook` command."""
    run(app)
