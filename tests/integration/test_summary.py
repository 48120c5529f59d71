"""Does a shift's summary name what went wrong, and nothing else? Held against the day's planted truth."""

import re
from datetime import date, datetime, timedelta
from io import StringIO
from pathlib import Path
from uuid import UUID

import msgspec
import pytest
from rich.console import Console
from typer.testing import CliRunner

from edge.cli import app
from edge.errors import InputError
from edge.records import CaptureGap, ClockState, ReleaseOverride, SnapTime
from pipeline.cli import show  # noqa: F401  registers the commands
from pipeline.history import History
from pipeline.join.open import connect
from pipeline.judging import judge
from pipeline.settings import load_settings
from pipeline.show.logbook import entries, verify
from pipeline.show.page import render_page
from pipeline.show.sheet import render_pdf
from pipeline.show.summary import ShiftSummary, open_shift, summarise
from pipeline.show.terminal import print_summary
from tests.shop.day import DAY, PLANTED, SHOP, SITE, at
from tests.shop.made_history import build, empty_home, write, write_records
from tests.shop.paperwork import records


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    return build(tmp_path_factory.mktemp("hall-9"))


def summary_of(home: Path, pump: str, shift: int, day: date = DAY) -> ShiftSummary:
    return summarise(open_shift(home, SITE, pump, day, shift))


def near(one: datetime | None, clock: str | None, minutes: float) -> bool:
    return (one is None and clock is None) or (
        one is not None and clock is not None and abs(one - at(clock)) <= timedelta(minutes=minutes)
    )


@pytest.mark.parametrize(("pump", "shift"), PLANTED)
def test_the_findings_are_those_planted(home, pump, shift):
    found = summary_of(home, pump, shift).findings
    assert sorted(f.kind for f in found) == sorted(kind for kind, _, _ in PLANTED[pump, shift])
    for kind, start, end in PLANTED[pump, shift]:
        (one,) = [f for f in found if f.kind == kind]
        # Clogging is seen from where it passes its limit on, long after it began.
        early = near(one.start, start, 5) or (kind == "clogging" and one.start > at(start))
        assert early, (kind, one.start)
        assert near(one.end, end, 5), (kind, one.end)


def text_of(summary: ShiftSummary) -> str:
    sheet = StringIO()
    print_summary(summary, Console(file=sheet, width=110, color_system=None))
    return "\n".join(line.rstrip() for line in sheet.getvalue().splitlines()) + "\n"


@pytest.mark.parametrize(("pump", "shift"), [("pump-a", 2), ("pump-b", 1)])
def test_the_terminal_reads_as_it_did(home, pump, shift, request):
    """A snapshot of what people read; run with BEADBOOK_SNAPSHOT=write to take it anew, and read it."""
    import os

    snapshot = request.path.parent / "snapshots" / f"summary-{pump}-{shift}.txt"
    text = text_of(summary_of(home, pump, shift))
    if os.environ.get("BEADBOOK_SNAPSHOT") == "write":
        snapshot.parent.mkdir(exist_ok=True)
        snapshot.write_text(text)
    assert text == snapshot.read_text()


def test_json_comes_back_as_the_same_structure(home):
    summary = summary_of(home, "pump-b", 1)
    assert msgspec.json.decode(msgspec.json.encode(summary), type=ShiftSummary).findings == summary.findings


@pytest.mark.parametrize(("pump", "shift"), PLANTED)
def test_the_page_needs_nothing_else(home, pump, shift):
    opened = open_shift(home, SITE, pump, DAY, shift)
    page = render_page(summarise(opened), opened, home)
    assert "<script" not in page
    # Whatever would be fetched: the only addresses are data, fragments, and the name of SVG's namespace.
    addresses = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?([^"')\s>]+)""", page)
    assert addresses
    assert all(address.startswith(("data:", "#")) for address in addresses)
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) <= {"http://www.w3.org/2000/svg"}
    for finding in summarise(opened).findings:
        assert finding.sentence.split("(")[0] in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_what_people_typed_is_text_on_the_page_and_on_the_sheet(tmp_path):
    home = empty_home(tmp_path)
    nasty = "<script>alert(1)</script> #set page(fill: red) $x$ @nobody [b]"
    head = {"site": SITE, "pump": "pump-a", "by": nasty, "note": nasty}
    write_records(home, [SnapTime(id=UUID(int=1), at=at("08:00"), minutes=75, base_lot=nasty, **head)])
    judge(History(home), load_settings(home), SITE, "pump-a")
    opened = open_shift(home, SITE, "pump-a", DAY, 1)
    assert "<script" not in render_page(summarise(opened), opened, home)
    assert render_pdf(summarise(opened), opened, home).startswith(b"%PDF")


def test_a_shift_without_data_says_so_and_holds(home):
    summary = summary_of(home, "pump-a", 1, DAY + timedelta(days=1))
    assert (summary.known, summary.verdict) == (False, "hold")
    assert text_of(summary).startswith("HOLD, no data\n")
    opened = open_shift(home, SITE, "pump-a", DAY + timedelta(days=1), 1)
    assert "Nothing is known of this shift" in render_page(summary, opened, home)
    assert render_pdf(summary, opened, home).startswith(b"%PDF")


def test_a_shift_that_still_runs_says_so_far(tmp_path):
    home = empty_home(tmp_path)
    head = {"site": SITE, "pump": "pump-a", "by": "R. Okafor"}
    write_records(home, [SnapTime(id=UUID(int=1), at=at("08:00"), minutes=45, **head)])
    judge(History(home), load_settings(home), SITE, "pump-a")
    summary = summary_of(home, "pump-a", 1)
    assert summary.so_far == at("08:00")
    assert summary.verdict == "hold"
    assert "so far (known until 08:00)" in text_of(summary)
    assert [f.kind for f in summary.findings] == ["no_data"]


def test_a_persons_release_shows_everywhere(tmp_path):
    home = empty_home(tmp_path)
    head = {"site": SITE, "pump": "pump-a", "by": "The lead"}
    write_records(
        home,
        [
            ReleaseOverride(
                id=UUID(int=1),
                at=at("13:00"),
                state="release",
                reason="tested by hand",
                until=at("15:00"),
                **head,
            ),
            SnapTime(id=UUID(int=2), at=at("13:59"), minutes=45, **head),
        ],
    )
    judge(History(home), load_settings(home), SITE, "pump-a")
    opened = open_shift(home, SITE, "pump-a", DAY, 1)
    summary = summarise(opened)
    assert (summary.verdict, summary.overridden) == ("release", True)
    assert summary.reasons[0] == "Released by The lead until 14 Oct 15:00: tested by hand."
    assert "released_by_person" in {f.kind for f in summary.findings}
    for shown in (text_of(summary), render_page(summary, opened, home)):
        assert "RELEASE by a person, against the rules" in shown
        assert "tested by hand" in shown


def test_what_the_edge_could_not_keep_and_what_its_clock_did_is_told(tmp_path):
    home = empty_home(tmp_path)
    head = {"site": SITE, "pump": "pump-a", "by": "edge-a", "edge": "edge-a"}
    gap = CaptureGap(id=UUID(int=1), at=at("08:00"), until=at("08:20"), cause="thinned", packs=1200, **head)
    write_records(home, [gap, ClockState(id=UUID(int=2), at=at("09:00"), synchronised=False, **head)])
    ahead = at("10:00") + timedelta(seconds=90)
    row = {"site": SITE, "pump": "pump-a", "day": DAY, "at": ahead, "edge": "edge-a", "base_pa": 1e7}
    write(home, "gauge_samples", [{**row, "landed_at": at("10:00")}])
    judge(History(home), load_settings(home), SITE, "pump-a")
    told = {finding.kind: finding.sentence for finding in summary_of(home, "pump-a", 1).findings}
    assert told["capture_gap"] == (
        "For want of disk the edge kept one reading a second, 08:00 to 08:20 (1200 messages)."
    )
    assert told["clock_ahead"].startswith("The clock of edge edge-a ran at least 90 s ahead")
    assert told["clock_not_held"] == "No time service held the clock of edge edge-a at 09:00."
    (row,) = connect(home).execute("SELECT capture_gaps FROM shift_summary WHERE shift = 1").fetchall()
    assert row == (1,)


@pytest.mark.parametrize(
    ("site", "pump", "shift", "says"),
    [
        ("hall-8", "pump-a", 1, "take one of hall-9"),
        ("hall-9", "pump-z", 1, "take one of pump-a, pump-b"),
        ("hall-9", "pump-a", 3, "take one of 1, 2"),
    ],
)
def test_what_is_not_there_is_named_with_what_is(home, site, pump, shift, says):
    with pytest.raises(InputError, match=says):
        open_shift(home, site, pump, DAY, shift)


def test_commands(home, tmp_path):
    runner = CliRunner()
    base = ["summary", "--site", SITE, "--pump", "pump-b", "--day", str(DAY), "--home", str(home)]
    page, sheet = tmp_path / "shift.html", tmp_path / "shift.pdf"
    made = runner.invoke(app, [*base, "--shift", "1", "--html", str(page), "--pdf", str(sheet), "--check"])
    assert made.exit_code == 0, made.output
    assert page.read_text().startswith("<!DOCTYPE html>")
    assert sheet.read_bytes().startswith(b"%PDF")
    told = runner.invoke(app, [*base, "--shift", "1", "--json"])
    assert msgspec.json.decode(told.stdout)["verdict"] == "release"
    nothing = [arg if arg != str(DAY) else "2027-01-01" for arg in base]
    assert runner.invoke(app, [*nothing, "--shift", "1", "--check"]).exit_code == 1
    assert runner.invoke(app, [*nothing, "--shift", "1"]).exit_code == 0
    book = runner.invoke(app, ["logbook", "--pump", "pump-a", "--home", str(home)])
    assert "changeover: curing-agent pail, lot C-2609-06" in book.stdout
    checked = runner.invoke(app, ["logbook", "verify", "--home", str(home)])
    assert checked.exit_code == 0, checked.stdout
    answer = runner.invoke(app, ["query", "SELECT 7 AS seven", "--format", "csv", "--home", str(home)])
    assert answer.stdout == "seven\n7\n"


def test_the_logbook_keeps_the_order_of_time(home):
    book = entries(home, pump="pump-b")
    assert [entry.time for entry in book] == sorted(entry.time for entry in book)
    assert {entry.pump for entry in book} == {"pump-b"}
    assert len(entries(home)) == len(book) + len(entries(home, pump="pump-a"))


def test_verify_says_where_a_photograph_or_a_row_has_changed(tmp_path):
    home = build(tmp_path / "home")
    assert not any(check.wrong for check in verify(home))
    photo = next(path for path in (home / "photos").glob("*/*"))
    photo.write_bytes(photo.read_bytes() + b"!")
    (sentence,) = [sentence for check in verify(home) for sentence in check.wrong]
    assert photo.name in sentence
    photo.unlink()
    (sentence,) = [sentence for check in verify(home) for sentence in check.wrong]
    assert sentence == f"photo {photo.name}: its file is gone."


def test_verify_finds_rows_deleted_from_a_landed_table(tmp_path):
    from deltalake import DeltaTable

    home = build(tmp_path / "home")
    DeltaTable(str(home / "history" / "records")).delete("kind = 'snap_time'")
    sentences = [sentence for check in verify(home) for sentence in check.wrong]
    told = [
        one for one in sentences if re.fullmatch(r"table records, version \d+: \d+ rows were removed\.", one)
    ]
    assert len(told) == 1
    gone = [record for pump in SHOP for record in records(pump) if isinstance(record, SnapTime)]
    # The chain names each entry that its table no longer has.
    assert len(sentences) == 1 + len(gone)
    assert all(any(str(record.id) in one for one in sentences) for record in gone)
