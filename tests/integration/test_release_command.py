"""The lead asks why a pump was held, which rules there are, and which units can't stand on their tests.

Hall Nine's day; what is expected was worked out by hand from tests/shop/day.py.
"""

import json
import subprocess
import sys
from uuid import UUID

import pytest

from edge.records import ReleaseOverride, SnapTime, UnitCleared
from edge.words import ReleaseState
from pipeline.history import History
from pipeline.judging import explain_at, judge
from pipeline.settings import load_settings
from tests.shop.day import SITE, at
from tests.shop.made_history import build, write_records


def beadbook(*given):
    command = [sys.executable, "-m", "pipeline", *map(str, given)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return build(tmp_path_factory.mktemp("hall-9"))


def release(home, pump, clock, *more):
    return beadbook(
        "release", "--site", SITE, "--pump", pump, "--at", at(clock).isoformat(), *more, "--home", home
    )


# Of pump-a: passed 06:13; out of balance 08:36 to 09:00, adjusted, passed 09:06; stood unpurged from 11:30,
# purged 12:10, passed 12:16.
@pytest.mark.parametrize(
    ("clock", "held", "rules"),
    [
        ("06:00", True, {"start_of_day"}),
        ("06:30", False, set()),
        ("08:50", True, {"out_of_balance"}),
        ("09:03", True, {"out_of_balance"}),
        ("09:10", False, set()),
        ("11:34", False, set()),
        ("11:40", True, {"unpurged_stop"}),
        ("12:05", True, {"unpurged_stop", "extended_stop"}),
        ("12:20", False, set()),
    ],
)
def test_the_day_of_pump_a_as_it_was(home, clock, held, rules):
    told, _ = explain_at(History(home), load_settings(home), SITE, "pump-a", at(clock))
    assert (told.state == ReleaseState.HOLD, set(told.rules)) == (held, rules)


@pytest.mark.parametrize("command", ["suspect", "logbook"])
def test_a_pump_that_is_not_there_is_not_told_as_a_pump_without_trouble(home, command):
    answer = beadbook(command, "--pump", "pump-z", "--home", home)
    assert (answer.returncode, answer.stdout) == (3, "")
    assert f"nothing is known of pump-z at any site; take one of: pump-a at {SITE}" in answer.stderr


def test_the_chain_names_what_raised_each_rule_and_what_ended_it(home):
    told = json.loads(release(home, "pump-a", "12:20", "--json").stdout)
    chain = {link["rule"]: link for link in told["chain"]}
    assert {"start_of_day", "out_of_balance", "unpurged_stop", "extended_stop"} <= chain.keys()
    assert all(link["ended"] and link["needs"] is None for link in chain.values())
    met = [piece["what"] for piece in chain["out_of_balance"]["met"]]
    assert sorted(met[:2]) == ["balance_adjusted", "balance_back"] and met[2] == "smear_passed"
    text = release(home, "pump-a", "08:50", "--why").stdout
    assert text.startswith(f"HOLD  {SITE} pump-a at 2026-10-14 08:50:00, since 2026-10-14 08:36")
    assert "stands, needs an adjustment of the balance" in text


def test_an_override_shows_with_name_reason_and_end(tmp_path):
    home = build(tmp_path / "home")
    lead = {"id": UUID(int=7), "site": SITE, "pump": "pump-a", "by": "The lead"}
    write_records(
        home,
        [ReleaseOverride(**lead, at=at("08:50"), state="release", reason="gauge checked", until=at("08:58"))],
    )
    assert release(home, "pump-a", "08:55", "--check").returncode == 0
    text = release(home, "pump-a", "08:55").stdout
    assert "Released by The lead until 14 Oct 08:58: gauge checked." in text
    assert "Out of balance" in text
    assert release(home, "pump-a", "08:59", "--check").returncode == 1


def test_a_pump_of_which_nothing_is_known_is_an_error_that_names_those_there_are(home):
    done = release(home, "pump-z", "08:00")
    assert done.returncode == 3
    assert "take one of: pump-a at hall-9, pump-b at hall-9" in done.stderr
    wrong = beadbook("release", "--site", SITE, "--pump", "pump-a", "--at", "yesterday", "--home", home)
    assert wrong.returncode == 2
    now = beadbook("release", "--site", SITE, "--pump", "pump-a", "--check", "--home", home)
    assert now.returncode == 1 and "Nothing is known of the pump after" in now.stdout


def test_the_table_of_rules_says_limits_and_which_are_off(tmp_path):
    (tmp_path / "site.toml").write_text('[limits]\nidle_min = 4\nrules_off = ["changeover"]\n')
    rows = {row["rule"]: row for row in json.loads(beadbook("rules", "--json", "--home", tmp_path).stdout)}
    assert rows["unpurged_stop"]["limits"] == {"limits.idle_min": "4.0"}
    assert not rows["changeover"]["in_force"] and rows["mixer_change"]["in_force"]
    assert all(row["raised_when"] and row["cleared_by"] and row["origin"] for row in rows.values())
    assert "OFF at this site" in beadbook("rules", "--home", tmp_path).stdout
    (tmp_path / "site.toml").write_text('[limits]\nrules_off = ["chanegover"]\n')
    assert beadbook("rules", "--home", tmp_path).returncode == 3


def test_suspect_units_are_listed_until_they_are_cleared(tmp_path):
    home = build(tmp_path / "home")
    assert beadbook("suspect", "--check", "--home", home).stdout == "No unit is suspect.\n"
    head = {"site": SITE, "pump": "pump-a", "by": "R. Okafor"}
    write_records(home, [SnapTime(id=UUID(int=8), at=at("13:50"), minutes=99, **head)])
    settings = load_settings(home)
    judge(History(home), settings, SITE, "pump-a")
    done = beadbook("suspect", "--check", "--json", "--home", home)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    # The last good snap time was taken at 13:00, while A12 was made; A13 followed.
    assert done.returncode == 1
    assert [row["unit"] for row in rows] == ["H9-1014-A12", "H9-1014-A13"]
    lead = {"site": SITE, "pump": "pump-a", "by": "The lead", "reason": "Shore A even", "evidence": "bead 9"}
    write_records(
        home,
        [
            UnitCleared(id=UUID(int=9 + n), at=at("15:00"), unit=f"H9-1014-A{12 + n}", **lead)
            for n in range(2)
        ],
    )
    judge(History(home), settings, SITE, "pump-a")
    assert beadbook("suspect", "--check", "--home", home).returncode == 0
    assert (
        "cleared by The lead: Shore A even, on bead 9"
        in beadbook("suspect", "--cleared", "--home", home).stdout
    )
