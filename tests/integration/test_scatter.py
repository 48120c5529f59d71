"""Do many workers give what one process gives? A Dask cluster in this process, over the made-up day."""

import pytest
from typer.testing import CliRunner

from edge.cli import app
from edge.errors import CallError
from pipeline.advance import landed_days
from pipeline.cli import demo  # noqa: F401  registers the commands
from pipeline.history import History
from pipeline.scatter import rebuild_pump, scattered
from pipeline.tables import DERIVED
from tests.shop.day import SITE
from tests.shop.made_history import build

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
    ) as running:
        yield running


def derived(home):
    rows = {}
    for name in DERIVED:
        table = History(home).read(name).to_pylist()
        rows[name] = sorted(table, key=str)
    return rows


@pytest.mark.slow
def test_the_same_history_by_many_workers_as_by_one(tmp_path, cluster):
    homes = [build(tmp_path / name) for name in ("one", "many")]
    pumps = landed_days(History(homes[0]))
    assert sorted(pumps) == [(SITE, "pump-a"), (SITE, "pump-b")]
    for (site, pump), days in pumps.items():
        rebuild_pump(str(homes[0]), site, pump, sorted(days))
    before = derived(homes[1])
    command = ["rebuild", "--scheduler", cluster.scheduler_address, "--home", str(homes[1])]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    assert derived(homes[1]) == derived(homes[0])
    assert derived(homes[1]) != before, "nothing was computed anew"


def test_nobody_at_the_address_is_said_in_one_sentence(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.scatter.CONNECT", "1s")
    for address in ("tcp://127.0.0.1:9", "nonsense://x"):
        with pytest.raises(CallError, match="no scheduler at"):
            list(scattered(address, tmp_path, {(SITE, "pump-a"): set()}))
