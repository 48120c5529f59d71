"""Where do messages come from? Each source gives them in the order of their own time."""

from typing import NamedTuple

from edge.wire import Channel


class Event(NamedTuple):
    """A message that came up at a moment. at_us : Unix [us], the recording's own clock."""

    at_us: int
    channel: Channel
    payload: bytes
