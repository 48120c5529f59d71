"""What tests of several kinds share."""

import pytest

from pipeline.cli import main


@pytest.fixture
def inspect(monkeypatch, capsys):
    def run(*args):
        monkeypatch.setattr("sys.argv", ["beadbook", "inspect", *map(str, args)])
        with pytest.raises(SystemExit) as left:
            main()
        said = capsys.readouterr()
        return left.value.code or 0, said.out, said.err

    return run
