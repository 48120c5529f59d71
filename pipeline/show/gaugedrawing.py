"""What is there to draw of a recording? Traces, spans and marks, for a page and for a picture alike."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Points = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]


@dataclass(frozen=True)
class Span:
    """Something that lasts. lane : where it is drawn; what : its kind in a word; says : in a sentence."""

    start_us: int
    end_us: int
    what: str
    lane: str = ""
    says: str = ""


@dataclass(frozen=True)
class Balance:
    """Of each catalyst stroke: start_us, end_us (S,) [us]; psi (S,), mean of catalyst_1 less catalyst_2."""

    start_us: npt.NDArray[np.int64]
    end_us: npt.NDArray[np.int64]
    psi: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Drawing:
    """A recording made ready. traces : (N,) [us], (N,) [psi] of each gauge; reversals : (R,) [us] a part.

    moment_us : of each span of time as long, traces hold the lowest and highest; 0 where they hold all
    """

    name: str
    start_us: int
    end_us: int
    traces: dict[str, Points]
    moment_us: int
    reversals: dict[str, npt.NDArray[np.int64]]
    balance: Balance
    caution_psi: float
    out_psi: float
    states: list[Span]
    marks: list[Span]
    summary: list[tuple[str, str]]
    notes: list[str]
