"""Whose zero is off, from when to when? Jumps and drifts, each ended by what puts it right."""

from dataclasses import dataclass, replace
from typing import Final

from edge.words import Fault, Gauge
from pipeline.derive.gauges import states
from pipeline.derive.gauges.drifts import Drift, find_drifts
from pipeline.derive.gauges.frames import Frames
from pipeline.derive.gauges.jumps import Jump, mended

# A jump and what takes it back differ by this share at most.
UNDONE: Final = 0.4
# A drift that a step ends is seen to end so near to it.
END_S: Final = 150.0


@dataclass(frozen=True)
class Offset:
    """A gauge whose zero is off from frame `first` until `last`, one past the end."""

    gauge: Gauge
    first: int
    last: int
    type: Fault


def find_offsets(frames: Frames, jumps: list[Jump], ends: list[Jump], codes: states.Codes) -> list[Offset]:
    """Gauges whose zero is off, from when to when.

    frames : with the jumps taken off; ends : steps that put a drift right
    """
    told = [codes == state for state in (states.DISPENSING, states.STALLED, states.OFF)]
    drifts = find_drifts(frames, *told)
    near = frames.count(END_S)
    for end in ends:
        # A drift is seen until a stay shows that it is gone: the step says when.
        drifts = [replace(d, last=end.first) if _spans_step(d, end) else d for d in drifts]
        seen = [(o.gauge, o.last) for o in drifts] + [(o.gauge, o.last) for o in jumps]
        if not any(gauge == end.gauge and abs(last - end.first) < near for gauge, last in seen):
            # Too short to be seen by itself: as if it had gone on.
            lasting = find_drifts(mended(frames, [replace(end, last=len(frames.first))]), *told)
            found = [replace(d, last=end.first) for d in lasting if _spans_step(d, end)]
            drifts = [d for d in drifts if not any(_meets(d, one) for one in found)] + found
    offsets = []
    for jump in jumps:
        # A jump that ended in a pull's rise or fall, unseen, was taken off for too long: an offset of its own
        # size the other way.
        over = [drift for drift in drifts if _undoes(jump, drift)]
        last = min([jump.last, *(drift.first for drift in over)])
        offsets.append(Offset(jump.gauge, jump.first, last, Fault.JUMP))
        drifts = [drift for drift in drifts if drift not in over]
    for drift in drifts:
        # A drift that is put right at once ends in what looks like a jump the other way.
        back = [
            one
            for one in offsets
            if one.gauge == drift.gauge
            and one.type == Fault.JUMP
            and drift.first < one.first < drift.last <= one.last
        ]
        offsets = [one for one in offsets if one not in back]
        last = back[0].first if back else drift.last
        offsets.append(Offset(drift.gauge, drift.first, last, Fault.JUMP if drift.at_once else Fault.DRIFT))
    return offsets


def _spans_step(drift: Drift, step: Jump) -> bool:
    back = drift.gauge == step.gauge and drift.size * step.size < 0
    return back and drift.first < step.first < drift.last


def _meets(one: Drift, other: Drift) -> bool:
    return one.gauge == other.gauge and one.first < other.last and other.first < one.last


def _undoes(jump: Jump, drift: Drift) -> bool:
    alike = abs(drift.size + jump.size) < UNDONE * abs(jump.size)
    return jump.gauge == drift.gauge and jump.first < drift.first < jump.last <= drift.last and alike
