"""How does a recording look from a week down to a stroke? One HTML file that needs nothing else.

The samples lie in it thinned and packed; the page draws what of them is in view.
"""

import base64
import json
import zlib
from importlib.resources import files
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.show.gaugedrawing import Drawing

_TICKS: Final = 2**32 - 1
_STEPS: Final = 32_000


def render_plot(drawing: Drawing) -> str:
    """The page."""
    environment = Environment(
        loader=PackageLoader("pipeline.show"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    script = files("pipeline.show").joinpath("templates/gaugeplot.js").read_text(encoding="utf-8")
    # A name with "</script>" in it must not end the data.
    data = json.dumps(_packed(drawing), allow_nan=False).replace("<", "\\u003c")
    return environment.get_template("gaugeplot.html.j2").render(
        name=drawing.name,
        summary=drawing.summary,
        notes=drawing.notes,
        data=Markup(data),
        script=Markup(script),
    )


def _packed(drawing: Drawing) -> dict[str, Any]:
    """What the script reads: times in ticks since the start, packed as differences."""
    start, end = drawing.start_us, max(drawing.end_us, drawing.start_us + 1)
    tick_us = max(1000.0, (end - start) / _TICKS)

    def times(at_us: npt.NDArray[np.int64]) -> str:
        ticks = np.clip(np.rint((at_us - start) / tick_us), 0, _TICKS).astype(np.uint32)
        return _deflated(np.diff(ticks, prepend=np.uint32(0)).astype("<u4"))

    def values(psi: npt.NDArray[np.float64]) -> dict[str, Any]:
        scale = max(float(np.abs(psi).max(initial=0.0)) / _STEPS, 1e-3)
        return {"v": _deflated(np.rint(psi / scale).astype("<i2")), "scale": scale}

    balance = drawing.balance
    return {
        "start_ms": start / 1e3,
        "end_ms": end / 1e3,
        "tick_ms": tick_us / 1e3,
        "moment_ms": drawing.moment_us / 1e3,
        "traces": [
            {"name": name, "t": times(at_us), **values(psi)} for name, (at_us, psi) in drawing.traces.items()
        ],
        "reversals": {part: times(at_us) for part, at_us in drawing.reversals.items()},
        "balance": {"from": times(balance.start_us), "to": times(balance.end_us), **values(balance.psi)},
        "limits": [drawing.caution_psi, drawing.out_psi],
        "states": [[span.start_us / 1e3, span.end_us / 1e3, span.what] for span in drawing.states],
        "marks": [
            [span.start_us / 1e3, span.end_us / 1e3, span.lane, span.what, span.says]
            for span in drawing.marks
        ],
    }


def _deflated(numbers: npt.NDArray[Any]) -> str:
    return base64.b64encode(zlib.compress(numbers.tobytes(), 6)).decode()
