"""The clock's state is told once, and again when it changes; a clock that runs ahead shows in what landed."""

from datetime import timedelta

from edge.clock import ClockWatch, synchronised
from edge.records import decode_record, encode_record
from edge.wire import Address, Channel
from pipeline.history import History
from pipeline.join import connect
from pipeline.land.batch import Message
from pipeline.land.landing import Landing
from tests.unit.test_landing import START, STREAM, a_record


def test_the_state_is_told_once_and_again_when_it_changes():
    answers = iter([True, True, False, False, None])
    watch = ClockWatch("hall-9", "edge-a", "pump-a", lambda: next(answers))
    told = [watch.changed() for _ in range(5)]
    states = [None if one is None else decode_record(one) for one in told]
    assert [state is not None for state in states] == [True, False, True, False, True]
    assert [state.synchronised for state in states if state] == [True, False, None]
    assert {(state.site, state.edge, state.by) for state in states if state} == {
        ("hall-9", "edge-a", "edge-a")
    }


def test_the_kernel_is_asked():
    assert synchronised() in (True, False, None)


def test_both_times_are_kept_and_a_clock_that_runs_ahead_is_flagged(tmp_path):
    # A record is measured before it can land: edge-b's clock is 40 s ahead, edge-c's an hour behind.
    landing = Landing(History(tmp_path), clock=lambda: START + timedelta(seconds=2))
    for edge, off in (("edge-a", 0), ("edge-b", 42), ("edge-c", -3600)):
        text = encode_record(a_record()).replace(
            b"11:00:00", (START + timedelta(seconds=off)).strftime("%H:%M:%S").encode()
        )
        topic = Address("hall-9", edge, Channel.RECORD, STREAM, 1).topic()
        landing.land([Message(topic, text, START)])
    rows = connect(tmp_path).sql("SELECT edge, least_delay_s, type FROM clocks ORDER BY edge").fetchall()
    assert rows == [("edge-a", 2.0, "good"), ("edge-b", -40.0, "ahead"), ("edge-c", 3602.0, "late")]
