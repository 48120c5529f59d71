"""Are smear scores of an earlier layout read beside today's?"""

from datetime import UTC, date, datetime

import pyarrow as pa
import pytest
from deltalake import write_deltalake

from pipeline.history import History
from pipeline.join.open import connect
from pipeline.tables import PARTITIONS, TABLES

LATER = ("cov_low", "cov_high", "certainty", "streaks", "specks")
DAYS = (date(2026, 10, 13), date(2026, 10, 14))


def scored(day: date) -> pa.Table:
    moment = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
    row = dict.fromkeys(TABLES["smear_scores"].names) | {
        "site": "hall-9", "pump": "pump-a", "day": day, "at": moment, "verdict": "pass", "cov": 0.02,
        "cov_low": 0.01, "streaks": 0, "reasons": [],
    }  # fmt: skip
    return pa.Table.from_pylist([row], schema=TABLES["smear_scores"])


@pytest.mark.parametrize("earlier", [DAYS[:1], DAYS[1:], DAYS])
def test_what_an_earlier_layout_did_not_measure_says_nothing(tmp_path, earlier):
    history = History(tmp_path)
    for day in DAYS:
        rows = scored(day).drop_columns(list(LATER)) if day in earlier else scored(day)
        write_deltalake(
            history.root / "smear_scores",
            rows,
            partition_by=PARTITIONS["smear_scores"],
            mode="append",
            schema_mode="merge",
        )
    told = connect(tmp_path).sql("SELECT day, cov, cov_low, streaks FROM smear_tests ORDER BY day").fetchall()
    assert told == [
        (day, 0.02, None if day in earlier else 0.01, None if day in earlier else 0) for day in DAYS
    ]
