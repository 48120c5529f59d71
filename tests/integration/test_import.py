"""Files through the same door: landed once however often, photographs at the time they themselves tell."""

from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image

from edge.errors import CallError
from pipeline.history import History
from pipeline.land.batch import Landed
from pipeline.land.files import Labels, check_labels, files_below, land_file
from pipeline.land.landing import Landing
from tests.running import START, gauge_rows, write_gauge_file

PUMP = Labels("hall-9", "pump-a", "R. Okafor")


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "home")


@pytest.fixture
def land(history):
    """Land a file; what it moved, and the reasons for what was set aside."""
    landing = Landing(history)

    def run(path, labels=PUMP):
        total, reasons = Landed({}, set()), []

        def moved(landed):
            nonlocal total
            total = total.and_then(landed)

        land_file(landing, path, labels, moved, reasons.append)
        return total, reasons

    return run


def picture(path, taken=None, offset=None):
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    if offset:
        exif.get_ifd(0x8769)[0x9011] = offset
    Image.new("RGB", (64, 48), (200, 200, 190)).save(path, exif=exif)
    return path


def test_a_gauge_file_lands_once_and_is_the_same_as_by_the_broker(land, history, tmp_path):
    path = write_gauge_file(tmp_path / "gauges.csv", 30)
    assert land(path)[0].samples == 300
    again, _ = land(path)
    assert (again.samples, again.already) == (0, 300)
    rows = history.read("gauge_samples").sort_by("at").to_pylist()
    assert [row["at"] for row in rows] == [at for at, *_ in gauge_rows(30)]
    # The units are exact, the product is rounded once.
    assert [row["base_pa"] for row in rows] == pytest.approx(
        [a * 1e3 for _, a, _, _ in gauge_rows(30)], rel=1e-15
    )
    assert {row["edge"] for row in rows} == {"import"}


def test_duplicates_and_a_clock_set_back_make_one_row_a_moment(land, history, tmp_path):
    path = tmp_path / "gauges.csv"
    path.write_text(
        "ts,base_kPa,catalyst_1_kPa\n"
        "2026-10-14T11:00:02Z,2,\n"
        "2026-10-14T11:00:01Z,1,\n"
        "2026-10-14T11:00:02Z,9,5\n"
        "2026-10-14T11:00:03Z,,\n"
    )
    assert land(path)[0].samples == 2
    rows = history.read("gauge_samples").sort_by("at").to_pylist()
    assert [(row["base_pa"], row["catalyst_1_pa"]) for row in rows] == [(1e3, None), (2e3, 5e3)]


def test_a_photo_tells_its_own_time(land, history, tmp_path):
    land(picture(tmp_path / "a.jpg", "2026:10:14 06:13:00", "-05:00"))
    (row,) = history.read("photos").to_pylist()
    assert (row["at"], row["by"], row["name"]) == (START + timedelta(minutes=13), "R. Okafor", "a.jpg")


def test_a_camera_without_an_offset_shows_the_sites_time(land, history, tmp_path):
    from zoneinfo import ZoneInfo

    path = picture(tmp_path / "a.jpg", "2026:10:14 06:13:00")
    land(path, PUMP._replace(zone=ZoneInfo("America/Chicago")))
    assert history.read("photos").column("at")[0].as_py() == START + timedelta(minutes=13)


def test_a_photo_without_a_time_needs_to_be_told_it(land, tmp_path):
    path = picture(tmp_path / "a.png")
    _, reasons = land(path)
    assert "does not say when it was taken" in reasons[0]
    moved, reasons = land(path, PUMP._replace(taken_at=datetime(2026, 10, 14, 12, tzinfo=UTC)))
    assert (moved.photos, reasons) == (1, [])


def test_what_a_file_does_not_say_has_to_be_given(land, tmp_path):
    gauges, stream, photo = (tmp_path / name for name in ("gauges.csv", "day.ndjson", "a.JPG"))
    check_labels([stream], Labels("hall-9"))
    check_labels([gauges], Labels("hall-9", "pump-a"))
    for files, labels, option in (
        ([stream, gauges], Labels("hall-9"), "--pump"),
        ([photo], Labels("hall-9", "pump-a"), "--by"),
    ):
        with pytest.raises(CallError, match=f"needs {option}"):
            check_labels(files, labels)


def test_a_file_that_is_no_picture_is_set_aside(land, history, tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(b"<html>not found</html>")
    moved, reasons = land(path, PUMP._replace(taken_at=START))
    assert (moved.photos, moved.rejected) == (0, 1)
    assert "are no picture" in reasons[0]


def test_a_folder_gives_its_files_of_known_kinds(tmp_path):
    (tmp_path / "deep").mkdir()
    for name in ("b.csv.gz", "a.csv", "deep/c.JPG", "d.ndjson", "notes.txt"):
        (tmp_path / name).touch()
    found = [path.relative_to(tmp_path).as_posix() for path in files_below([tmp_path])]
    assert found == ["a.csv", "b.csv.gz", "d.ndjson", "deep/c.JPG"]
