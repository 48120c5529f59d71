"""Does systemd take the units that `beadbook units` writes, and are their commands called as they are?"""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from edge.cli import app
from pipeline.cli import operate  # noqa: F401  registers the commands

ENVIRONMENT = {"SITE": "hall-9", "EDGE": "edge-a", "GAUGES": "g.csv", "PHOTOS": "p", "METRICS": "127.0.0.1:9"}


@pytest.fixture(scope="module")
def units(tmp_path_factory) -> list[Path]:
    folder = tmp_path_factory.mktemp("units")
    made = CliRunner().invoke(app, ["units", "--to", str(folder)])
    assert made.exit_code == 0, made.output
    return sorted(folder.iterdir())


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd on this machine")
def test_systemd_finds_nothing_wrong_with_them(units):
    for unit in units:
        # Only the program's place is made true for here.
        unit.write_text(unit.read_text().replace("/opt/beadbook/bin/beadbook", sys.executable))
    names = [str(unit).replace("@.service", "@pump-a.service") for unit in units]
    for unit, name in zip(units, names, strict=True):
        if not Path(name).exists():
            shutil.copy(unit, name)
    checked = subprocess.run(["systemd-analyze", "verify", *names], capture_output=True, text=True)
    said = [line for line in checked.stderr.splitlines() if "beadbook" in line]
    assert not said, said


def test_each_starts_a_command_that_there_is_with_options_that_it_has(units):
    seen = 0
    for unit in units:
        for line in re.findall(r"^ExecStart=(.*)$", unit.read_text(), re.M):
            words = shlex.split(re.sub(r"\$\{(\w+)\}", lambda name: ENVIRONMENT[name[1]], line))
            asked = CliRunner().invoke(app, [words[1], "--help"])
            assert asked.exit_code == 0
            for option in (word for word in words if word.startswith("--")):
                assert option in asked.output, (unit.name, option)
            seen += 1
    assert seen == 3
