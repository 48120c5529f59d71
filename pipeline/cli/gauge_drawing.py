"""What of an analysis is drawn? Findings turned into words, spans and psi for a page or a picture."""

from pathlib import Path

import numpy as np

from edge.errors import CallError
from edge.files import write_durably
from edge.units import pa_to_psi
from edge.words import PRESSURE_GAUGES
from pipeline.derive.gauges.recording import Recording
from pipeline.derive.gauges.report import marks_of, summary_lines
from pipeline.derive.gauges.results import GaugeAnalysis
from pipeline.derive.gauges.settings import GaugeSettings
from pipeline.show.gaugedrawing import Balance, Drawing, Span
from pipeline.show.traces import Trace

KINDS = {".html", ".png"}
NOTE = (
    "Pressures alone do not release a pump. They do not replace the sealant manufacturer's procedures, the "
    "project specification, or a responsible person's judgement. Pumps hold hazardous pressure: relieve it "
    "before opening anything."
)


class Traces:
    """The pressures of a recording, thinned as its pieces come."""

    def __init__(self) -> None:
        self._of: dict[str, Trace] = {}

    def add(self, rows: Recording) -> None:
        for gauge in PRESSURE_GAUGES:
            if gauge in rows.gauges:
                self._of.setdefault(gauge.value, Trace()).add(rows.at_us, pa_to_psi(1.0) * rows.gauges[gauge])

    def points(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        return {name: trace.points() for name, trace in self._of.items()}

    def moment_us(self) -> int:
        """The longest moment of which but two samples are kept, 0 if all are."""
        return max((trace.moment_us for trace in self._of.values()), default=0)


def check_plot(out: Path) -> None:
    """Raises CallError if a plot can't be written under this name."""
    if out.suffix.lower() not in KINDS:
        raise CallError(
            f"{out.name!r} is neither .html nor .png",
            where="--plot",
            do="name it so: .html to zoom, .png to print",
        )
    if not out.absolute().parent.is_dir():
        raise CallError(f"there is no folder {str(out.parent)!r}", where="--plot", do="make it first")


def draw(out: Path, name: str, traces: Traces, analysis: GaugeAnalysis, settings: GaugeSettings) -> None:
    """Write the plot of a recording."""
    known = [s for s in analysis.strokes if s.part == "catalyst" and s.balance_pa is not None]
    drawing = Drawing(
        name=name,
        start_us=analysis.first_at_us or 0,
        end_us=analysis.last_at_us or 0,
        traces=traces.points(),
        moment_us=traces.moment_us(),
        reversals={
            part: np.array([r.at_us for r in analysis.reversals if r.part == part], dtype=np.int64)
            for part in ("base", "catalyst")
        },
        balance=Balance(
            np.array([s.start_us for s in known], dtype=np.int64),
            np.array([s.end_us for s in known], dtype=np.int64),
            np.array([pa_to_psi(s.balance_pa or 0.0) for s in known]),
        ),
        caution_psi=settings.balance_caution_psi,
        out_psi=settings.balance_out_psi,
        states=[Span(s.start_us, s.end_us, s.type.value) for s in analysis.states],
        marks=[Span(start, end, what, lane, says) for start, end, lane, what, says in marks_of(analysis)],
        summary=summary_lines(analysis),
        notes=[NOTE],
    )
    if out.suffix.lower() == ".png":
        from pipeline.show.gaugepicture import render_picture

        data = render_picture(drawing)
    else:
        from pipeline.show.gaugeplot import render_plot

        data = render_plot(drawing).encode()
    try:
        write_durably(out, data)
    except OSError as error:
        raise CallError(
            f"can't be written ({error.strerror})", where=str(out), do="name a file in a folder you may write"
        ) from None
