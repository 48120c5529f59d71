"""Which photograph is made?

A seed is drawn out into a kind of mix, a sheet, a light, a phone and perhaps a flaw.
"""

from dataclasses import dataclass, replace

import numpy as np

KINDS = {
    "good": ("lamellae", "lamellae", "drift", "bands"),
    "bad": ("lamellae", "lamellae", "bands", "drift", "core", "core", "strands", "specks", "white"),
    "borderline": ("lamellae", "bands"),
}
COV = {"good": (0.002, 0.026), "bad": (0.075, 0.45), "borderline": (0.032, 0.058)}
FLAWS = (
    "glare", "out of focus", "motion", "too bright", "too dark", "hard shadow",
    "cut off", "too small", "no paper", "no film",
)  # fmt: skip
PAGES = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
PLAIN = ((297.0, 210.0), (279.4, 215.9), (210.0, 297.0), (210.0, 148.0))
SIZES = ((1000, 750), (1280, 960), (1280, 720), (1600, 1200), (2048, 1536), (2592, 1944), (4000, 3000))
ODDS = (0.12, 0.14, 0.08, 0.24, 0.22, 0.12, 0.08)


@dataclass(frozen=True)
class Plan:
    """One photograph. page : its print, or None for plain paper; flaw : what spoils it, or None."""

    seed: int
    wanted: str
    kind: str
    cov: float
    shade: str
    page: str | None
    page_mm: tuple[float, float]
    size: tuple[int, int]
    flaw: str | None


def planned(seed: int, sheets: str) -> Plan:
    """The photograph of a seed. sheets : "plain", "sheet" or "mixed"."""
    rng = np.random.default_rng([seed, 1])
    wanted = str(rng.choice(["good", "bad", "borderline"], p=[0.42, 0.46, 0.12]))
    low, high = COV[wanted]
    page = (
        str(rng.choice(list(PAGES)))
        if sheets == "sheet" or (sheets == "mixed" and rng.random() < 0.5)
        else None
    )
    size = SIZES[int(rng.choice(len(SIZES), p=ODDS))]
    made = Plan(
        seed=seed,
        wanted=wanted,
        kind=str(rng.choice(KINDS[wanted])),
        cov=float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        shade=str(rng.choice(["black", "dark grey", "mid grey"], p=[0.5, 0.3, 0.2])),
        page=page,
        page_mm=PAGES[page] if page else PLAIN[int(rng.integers(0, len(PLAIN)))],
        size=size if rng.random() < 0.6 else (size[1], size[0]),
        flaw=str(rng.choice(FLAWS)) if rng.random() < 0.25 else None,
    )
    return replace(made, wanted="none", kind="none") if made.flaw == "no film" else made
