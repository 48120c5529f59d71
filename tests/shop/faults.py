"""How does a gauge or a logger lie? Planted faults, put upon a sound recording."""

import numpy as np
from numpy.typing import NDArray

from tests.shop.pump_params import PumpParams
from tests.shop.recording import Recording
from tests.shop.script import WHOLE_ROW, PlantedFault

NE43_HIGH = 1 + 0.5 / 16  # 20.5 mA, the top of what NAMUR NE 43 lets a sound transmitter say
NE43_LOW = -0.2 / 16  # 3.8 mA

Array = NDArray[np.float64]


def plant(
    recording: Recording, faults: tuple[PlantedFault, ...], params: PumpParams, start_us: int
) -> Recording:
    """The recording with its faults, at the logger's resolution."""
    psi = {gauge: values.copy() for gauge, values in recording.psi.items()}
    seconds = (recording.at_us - start_us) / 1e6
    for fault in faults:
        first, last = np.searchsorted(seconds, [fault.start, fault.end])
        rows = slice(first, max(last, first + 1))
        for gauge in psi if fault.channel == "all" else (fault.channel,):
            if fault.kind not in WHOLE_ROW:
                psi[gauge][rows] = said(fault, psi[gauge][rows], params)
    psi = {gauge: np.round(values / params.step_psi) * params.step_psi for gauge, values in psi.items()}
    rows_kept, shift = np.arange(len(seconds)), np.zeros(len(seconds), dtype=np.int64)
    for fault in faults:
        rows_kept, shift = _spoil_rows(rows_kept, shift, seconds, fault)
    return Recording(
        (recording.at_us + shift)[rows_kept], {gauge: values[rows_kept] for gauge, values in psi.items()}
    )


def said(fault: PlantedFault, sound: Array, params: PumpParams) -> Array:
    """What a gauge says instead of the sound pressures [psi]."""
    low, high = NE43_LOW * params.span_psi, NE43_HIGH * params.span_psi
    if fault.kind == "missing":
        return np.full(len(sound), np.nan)
    if fault.kind == "wire_break":
        return np.full(len(sound), fault.size)
    if fault.kind == "stuck":
        return np.full(len(sound), sound[0])
    if fault.kind == "saturation":
        part = params.base if fault.channel == "base" else params.catalyst
        return np.minimum(sound, fault.size * part.stall_psi)
    ramp = np.linspace(0.0, 1.0, len(sound)) if fault.kind == "drift" else 1.0
    return np.clip(sound + fault.size * ramp, low, high)


def _spoil_rows(
    rows: NDArray[np.int64], shift: NDArray[np.int64], seconds: Array, fault: PlantedFault
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
