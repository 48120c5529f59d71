"""Does a command that has answered also end as it answered, whatever Arrow's threads still hold?"""

import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.running import ROOT
from tests.shop.made_history import build

TRIES = 120  # four at a time: Arrow's threads come late where the cores are taken


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return build(tmp_path_factory.mktemp("hall-9"))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("inspect", "sample_streams/pump-a_ambient.csv", "--json"), 0),
        (("suspect", "--pump", "pump-z", "--home", "HOME"), 3),
    ],
    ids=["inspect", "suspect"],
)
def test_a_short_command_ends_as_it_answered(home, words, status):
    words = [str(home) if word == "HOME" else word for word in words]

    def run(_):
        command = [sys.executable, "-m", "pipeline", *words]
        return subprocess.run(command, cwd=ROOT, capture_output=True, check=False).returncode

    with ThreadPoolExecutor(4) as pool:
        assert Counter(pool.map(run, range(TRIES))) == {status: TRIES}
