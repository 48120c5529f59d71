"""How does an inline SVG stand alone? With its style sheet in it, for a document that has none."""

import re
from importlib import resources


def standalone(svg: str) -> str:
    """The SVG with the rules of drawing.css in it, each var(--name) as summary.css sets it."""
    templates = resources.files("pipeline.show").joinpath("templates")
    known = dict(re.findall(r"--([\w-]+):\s*([^;}]+)", templates.joinpath("summary.css").read_text("utf-8")))
    rules = re.sub(
        r"var\(--([\w-]+)\)",
        lambda name: known[name[1]],
        templates.joinpath("drawing.css").read_text("utf-8"),
    )
    opening, rest = svg.split(">", 1)
    return f"{opening}><style>{rules}</style>{rest}"
