"""What has landed and is not judged yet must be known after a kill at any moment."""

from datetime import date

import pytest

from pipeline.behind import FILE_NAME, Behind

ONE = ("hall-9", "pump-a", date(2026, 10, 14))
NEXT = ("hall-9", "pump-a", date(2026, 10, 15))
OTHER = ("hall-9", "pump-b", date(2026, 10, 14))


@pytest.fixture
def behind(tmp_path):
    return Behind(tmp_path)


def left(tmp_path):
    """What a process started after a kill finds due."""
    return Behind(tmp_path).take()


def test_a_new_home_is_behind_with_nothing(behind, tmp_path):
    assert not behind.is_due()
    assert not (tmp_path / FILE_NAME).exists()


def test_a_day_is_behind_from_before_its_commit_until_it_is_advanced(behind, tmp_path):
    due = {("hall-9", "pump-a"): {ONE[2]}}
    behind.expect({ONE})
    assert left(tmp_path) == due
    assert not behind.is_due(), "nothing is committed yet"
    behind.landed({ONE})
    assert left(tmp_path) == due
    assert behind.take() == due
    assert left(tmp_path) == due
    behind.done("hall-9", "pump-a")
    assert left(tmp_path) == {}


def test_what_is_about_to_be_committed_while_its_day_is_advanced_stays_behind(behind, tmp_path):
    behind.expect({ONE})
    behind.landed({ONE})
    behind.take()
    behind.expect({ONE})
    behind.done("hall-9", "pump-a")
    assert left(tmp_path) == {("hall-9", "pump-a"): {ONE[2]}}


def test_what_could_not_be_advanced_is_tried_again_with_its_pump_and_at_the_next_start(behind, tmp_path):
    behind.expect({ONE})
    behind.landed({ONE})
    behind.take()
    behind.failed("hall-9", "pump-a")
    assert not behind.is_due()
    assert left(tmp_path) == {("hall-9", "pump-a"): {ONE[2]}}
    behind.landed({OTHER})
    assert behind.take() == {("hall-9", "pump-b"): {OTHER[2]}}
    behind.landed({NEXT})
    assert behind.take() == {("hall-9", "pump-a"): {ONE[2], NEXT[2]}}


def test_a_file_that_is_none_costs_no_start(tmp_path):
    (tmp_path / FILE_NAME).write_text("junk")
    assert Behind(tmp_path).take() == {}
