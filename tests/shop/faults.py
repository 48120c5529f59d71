"""How does a gauge or a logger lie? Planted faults, put upon a sound recording."""

import numpy as np
from numpy.typing import NDArray

from tests.shop.pump_params import PumpParams
from tests.shop.recording import Recording
from tests.shop.script import PlantedFault

NE43_HIGH = 1 + 0.5 / 16  # 20.5 mA, the top of what NAMUR NE 43 lets a sound transmitter say
NE43_LOW = -0.2 / 16  # 3.8 mA


def plant(
    recording: Recording, faults: tuple[PlantedFault, ...], params: PumpParams, start_us: int
) -> Recording:
    """The recording with its faults. Those of a gauge first, for the logger stamps what it is given."""
    psi = {gauge: values.copy() for gauge, values in recording.psi.items()}
    seconds = (recording.at_us - start_us) / 1e6
    for fault in faults:
        first, last = np.searchsorted(seconds, [fault.start, fault.end])
        last = max(last, first + 1)
        for gauge in psi if fault.channel == "all" else (fault.channel,):
            _spoil(psi[gauge], first, last, fault, _ceiling(gauge, fault, params))
    for gauge, values in psi.items():
        psi[gauge] = np.round(values / params.step_psi) * params.step_psi
    rows, shift = np.arange(len(seconds)), np.zeros(len(seconds), dtype=np.int64)
    for fault in faults:
        rows, shift = _spoil_rows(rows, shift, seconds, fault)
    return Recording((recording.at_us + shift)[rows], {gauge: values[rows] for gauge, values in psi.items()})


def _ceiling(gauge: str, fault: PlantedFault, params: PumpParams) -> float:
    part = params.base if gauge == "base" else params.catalyst
    return fault.size * part.stall_psi


def _spoil(values: NDArray[np.float64], first: int, last: int, fault: PlantedFault, ceiling: float) -> None:
    part = values[first:last]
    if fault.kind == "missing":
        part[:] = np.nan
    elif fault.kind == "stuck":
        part[:] = part[0]
    elif fault.kind in ("spike", "jump"):
        part += fault.size
    elif fault.kind == "drift":
        part += np.linspace(0.0, fault.size, len(part))
    elif fault.kind == "saturation":
        np.minimum(part, ceiling, out=part)
    elif fault.kind == "wire_break":
        part[:] = fault.size


def _spoil_rows(
    rows: NDArray[np.int64], shift: NDArray[np.int64], seconds: NDArray[np.float64], fault: PlantedFault
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    first, last = np.searchsorted(seconds[rows], [fault.start, fault.end])
    if fault.kind == "gap":
        rows = np.concatenate((rows[:first], rows[last:]))
    elif fault.kind == "duplicate":
        again = first + round(fault.size)
        rows = np.concatenate((rows[:again], rows[first:]))
    elif fault.kind == "out_of_order":
        # A buffer flushed the wrong way round.
        turned = slice(first, first + max(2, round(fault.size)))
        rows = rows.copy()
        rows[turned] = rows[turned][::-1]
    elif fault.kind == "clock_step":
        shift = shift + np.where(seconds >= fault.start, round(fault.size * 1e6), 0)
    return rows, shift
