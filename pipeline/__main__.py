"""`python -m pipeline` is the `beadbook` command, for where the script is not on the path."""

from pipeline.cli import main

main()
