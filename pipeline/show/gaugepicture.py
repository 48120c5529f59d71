"""How does a recording look on paper? A PNG of pressures, balance, strokes, states and what was found."""

import io
from datetime import UTC
from typing import Any, Final

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from pipeline.show.gaugedrawing import Drawing
from pipeline.show.traces import thinned

_LINE: Final = {
    "base": ("#0060a0", "-"),
    "catalyst_1": ("#c04f00", "--"),
    "catalyst_2": ("#00795a", ":"),
    "air": ("#6b4fa0", "-."),
}
_STATE: Final = {
    "dispensing": ("#bcd7c5", ""),
    "stalled": ("#f1efe4", ""),
    "purging": ("#b9cfe6", "////"),
    "off": ("#ffffff", ""),
    "no_data": ("#e3e3e3", "xxx"),
}
_FAULT_ROWS: Final = ("all", "base", "catalyst_1", "catalyst_2", "air")
_WRONG: Final = "#a3231c"
# Two samples for every pixel of width are all that shows.
_POINTS: Final = 4_000
# A letter's share of the width, about.
_LETTER_SHARE: Final = 0.0055


def render_picture(drawing: Drawing) -> bytes:
    """The PNG, 1800 by 1100 pixels."""
    figure = Figure(figsize=(15, 9.2), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    lanes: Any = figure.subplots(
        6, 1, sharex=True, gridspec_kw={"height_ratios": [5, 2.2, 0.8, 0.7, 0.7, 2.0], "hspace": 0.02}
    )
    figure.suptitle(drawing.name, x=0.01, ha="left", fontsize=13)
    pressure, balance, strokes, pump, stops, faults = lanes
    for name, (at_us, psi) in drawing.traces.items():
        colour, dash = _LINE.get(name, ("#1b2024", "-"))
        shown_at, shown = thinned(at_us, psi, _POINTS)
        pressure.plot(_days(shown_at), shown, dash, color=colour, lw=0.8, label=name.replace("_", " "))
    if drawing.traces:
        pressure.legend(loc="upper right", ncols=4, fontsize=9)
    pressure.set_ylabel("psi")
    _draw_balance(balance, drawing)
    for row, (part, at) in enumerate(drawing.reversals.items()):
        strokes.vlines(
            _days(at), 1 - row, 1.8 - row, lw=0.4, color=_LINE["base" if not row else "catalyst_1"][0]
        )
        strokes.text(1.002, 0.75 - 0.5 * row, f"{part} {len(at)}", transform=strokes.transAxes, fontsize=8)
    strokes.set_yticks([])
    strokes.set_ylabel("reversals", rotation=0, ha="right", va="center")
    for what, (colour, pattern) in _STATE.items():
        spans = [
            (_day(s.start_us), (s.end_us - s.start_us) / 864e8) for s in drawing.states if s.what == what
        ]
        # Without pattern where they would run together.
        pump.broken_barh(
            spans,
            (0, 1),
            facecolor=colour,
            hatch=pattern,
            edgecolor="#59636b",
            lw=0.15,
            label=what.replace("_", " "),
        )
    pump.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), fontsize=7, frameon=False)
    _lane(pump, "pump")
    letter_us = _LETTER_SHARE * max(drawing.end_us - drawing.start_us, 1_000_000)
    said_until: dict[tuple[str, int], float] = {}
    for mark in drawing.marks:
        if mark.lane == "stops":
            axes, row, wrong = stops, 0, "not purged" in mark.what
        elif mark.lane.startswith("faults:"):
            axes, wrong = faults, True
            row = max(0, _FAULT_ROWS.index(mark.lane[7:]) if mark.lane[7:] in _FAULT_ROWS else 0)
        else:
            continue
        _mark(axes, mark.start_us, mark.end_us, row, wrong)
        # Where two would lie on each other the first speaks; colour and hatching tell the other.
        if mark.start_us >= said_until.get((mark.lane, row), -np.inf):
            axes.text(
                _day(mark.start_us),
                row + 0.5,
                f" {mark.what}",
                fontsize=8,
                va="center",
                clip_on=True,
                # Over the hatching of what went wrong a word can't be read.
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
            )
            said_until[mark.lane, row] = mark.start_us + letter_us * (len(mark.what) + 2)
    _lane(stops, "stops")
    faults.set_ylim(len(_FAULT_ROWS), 0)
    faults.set_yticks(
        np.arange(len(_FAULT_ROWS)) + 0.5, [name.replace("_", " ") for name in _FAULT_ROWS], fontsize=8
    )
    faults.set_ylabel("faults", rotation=0, ha="right", va="center")
    locator = AutoDateLocator(tz=UTC)  # type: ignore[no-untyped-call]
    faults.xaxis.set_major_locator(locator)
    faults.xaxis.set_major_formatter(
        ConciseDateFormatter(locator, tz=UTC)  # type: ignore[no-untyped-call]
    )
    faults.set_xlabel("UTC")
    faults.set_xlim(_day(drawing.start_us), _day(max(drawing.end_us, drawing.start_us + 1_000_000)))
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()


def _draw_balance(axes: Any, drawing: Drawing) -> None:
    balance = drawing.balance
    middle = _days((balance.start_us + balance.end_us) // 2)
    wide = np.maximum((balance.end_us - balance.start_us) / 864e8, 1e-9)
    apart = np.abs(balance.psi)
    for least, most, colour in (
        (0.0, drawing.caution_psi, "#7d8b94"),
        (drawing.caution_psi, drawing.out_psi, "#c98a00"),
        (drawing.out_psi, np.inf, _WRONG),
    ):
        of_it = (apart > least) & (apart <= most)
        axes.bar(middle[of_it], balance.psi[of_it], wide[of_it], color=colour)
    reach = max(1.3 * drawing.out_psi, float(apart.max(initial=0.0)) * 1.05)
    axes.set_ylim(-reach, reach)
    for limit, dash in ((drawing.caution_psi, "--"), (drawing.out_psi, "-")):
        for sign in (-1, 1):
            axes.axhline(sign * limit, ls=dash, lw=0.7, color=_WRONG if dash == "-" else "#59636b")
    axes.text(1.002, 0.5, "-- caution\n— out", transform=axes.transAxes, fontsize=8, va="center")
    axes.set_ylabel("balance\npsi", rotation=0, ha="right", va="center")
    for mark in drawing.marks:
        if mark.lane == "balance":
            axes.axvspan(
                _day(mark.start_us), _day(mark.end_us), facecolor="none", hatch="//", edgecolor=_WRONG
            )
            axes.text(_day(mark.start_us), reach * 0.78, mark.what, fontsize=8, color=_WRONG)


def _lane(axes: Any, name: str) -> None:
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.set_ylabel(name, rotation=0, ha="right", va="center")


def _mark(axes: Any, start_us: int, end_us: int, row: int, wrong: bool) -> None:
    colour = _WRONG if wrong else "#59636b"
    axes.broken_barh(
        [(_day(start_us), max(end_us - start_us, 1) / 864e8)],
        (row + 0.1, 0.8),
        facecolor="#f6dedb" if wrong else "#e6edf2",
        hatch="///" if wrong else "",
        edgecolor=colour,
        lw=0.8,
    )


def _day(us: int) -> float:
    return float(us) / 864e8


def _days(us: Any) -> Any:
    return np.asarray(us, dtype=np.float64) / 864e8
