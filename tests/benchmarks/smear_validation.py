"""How often is a smear verdict right on photographs nobody tuned on? Renders, scores, counts.

Run as `python -m tests.benchmarks.smear_validation --photos 100`. The seeds from HELD_OUT on are kept for
this script: settings were never changed after a look at one of their pictures. Beside each verdict the common
mistake is run on the same film, the plain standard deviation of grey, and given the threshold that suits it
best on this very set.
"""

import argparse
import json
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import cv2
import numpy as np
from scipy.stats import spearmanr

from pipeline.derive.smear.arrays import eight_bit
from pipeline.derive.smear.results import SmearLimits, SmearScore
from pipeline.derive.smear.score import look
from pipeline.derive.smear.verdict import conclude
from pipeline.photos import decode_photo
from tests.shop.nuisances import Draw, random_spec
from tests.shop.otherphoto.pages import printed_pages
from tests.shop.otherphoto.photo import photograph
from tests.shop.otherphoto.plan import planned
from tests.shop.photographs import render, write_photo
from tests.shop.plainphoto import plain_photo

HELD_OUT: Final = 963_000
HELD_OUT_OTHER: Final = 91_000  # the other renderers' seeds that nobody looks at
# Renders one photograph into a folder, by its seed and number, and gives its truth.
Maker = Callable[[Path, int, int], dict[str, Any]]
GOOD_FAILED_MAX: Final = 0.03  # what the plain deviation's threshold is allowed


@dataclass(frozen=True)
class Row:
    """One photograph: its truth, what was said of it, and the plain deviation of grey."""

    name: str
    truth: dict[str, Any]
    result: SmearScore
    plain: float | None

    @property
    def bad(self) -> bool:
        return self.truth["mix"] in ("streaked", "badly_streaked")

    @property
    def good(self) -> bool:
        return bool(self.truth["mix"] == "good")

    @property
    def usable(self) -> bool:
        return bool(self.truth["usable"])


def make(folder: Path, count: int, seed: int, make_one: Maker) -> dict[str, dict[str, Any]]:
    """Render what the folder lacks; truth by file name."""
    book = folder / "truth.json"
    truths = json.loads(book.read_text()) if book.exists() else {}
    missing = [n for n in range(count) if f"{n:04d}.jpg" not in truths]
    with ProcessPoolExecutor(len(os.sched_getaffinity(0)), mp_context=get_context("spawn")) as pool:
        for n, truth in zip(
            missing, pool.map(partial(make_one, folder), [seed + n for n in missing], missing), strict=True
        ):
            truths[f"{n:04d}.jpg"] = truth
    book.write_text(json.dumps(truths))
    return {name: truth for name, truth in sorted(truths.items()) if int(name[:4]) < count}


def _drawn(draw: Draw, folder: Path, seed: int, n: int) -> dict[str, Any]:
    """One photograph of the first renderer, and its truth."""
    spec = random_spec(np.random.default_rng(seed), draw)
    image, truth = render(spec, seed)
    write_photo(folder / f"{n:04d}.jpg", image, spec)
    return {**asdict(truth), "agent_rich": spec.film.mixing.agent_rich, "relief": spec.film.relief}


def _other(folder: Path, seed: int, n: int) -> dict[str, Any]:
    """One photograph of the other renderer, its truth in this script's words."""
    jpeg, truth = photograph(planned(seed, "mixed"), printed_pages())
    (folder / f"{n:04d}.jpg").write_bytes(jpeg)
    return {
        **truth,
        "mix": {"bad": "streaked", "none": "no film"}.get(str(truth["verdict"]), truth["verdict"]),
        "cov": 9.0 if truth["cov"] is None else truth["cov"],  # without curing agent: worse than any streak
        "material": truth["shade"],
        "agent_rich": False,
        "pattern": truth["kind"],
        "sheet": truth["sheet"] != "plain",
        "light": f"{truth['lamps']} lamps, warm" if truth["warm"] else f"{truth['lamps']} lamps",
        "ground": "bench",
        "why_not": [truth["reason"]] if truth["reason"] else [],
    }


def _third(folder: Path, seed: int, n: int) -> dict[str, Any]:
    jpeg, truth = plain_photo(seed)
    (folder / f"{n:04d}.jpg").write_bytes(jpeg)
    return truth


_HARD: Final = Draw(
    shared_relief=(0.0, 0.15), black_rich=True, tilt_max_deg=30.0, long_side=(1200, 1600, 2400)
)
# Name -> maker, and the first seed that nobody looks at. The last two share no line with the first renderer.
SETS: Final[dict[str, tuple[Maker, int]]] = {
    "mixed": (partial(_drawn, Draw()), HELD_OUT),
    "plain": (partial(_drawn, Draw(sheet=0.0, spoiled=0.0)), HELD_OUT),
    "hard": (partial(_drawn, _HARD), HELD_OUT),
    "other": (_other, HELD_OUT_OTHER),
    "third": (_third, HELD_OUT_OTHER),
}


def judge(folder: Path, truths: dict[str, dict[str, Any]]) -> list[Row]:
    """Every photograph scored, by a process for each core."""
    with ProcessPoolExecutor(len(os.sched_getaffinity(0)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(partial(_judge, folder), truths.items(), chunksize=4))


def _judge(folder: Path, item: tuple[str, dict[str, Any]]) -> Row:
    cv2.setNumThreads(1)
    name, truth = item
    limits = SmearLimits()
    seen = look(decode_photo((folder / name).read_bytes()).rgb, limits)
    plain = None
    if seen.canvas is not None and seen.film is not None:
        grey = cv2.cvtColor(eight_bit(seen.canvas.rgb), cv2.COLOR_RGB2GRAY)
        plain = float(grey[seen.film.core].std())
    return Row(name, truth, conclude(seen, limits, None), plain)


def auc(bad: list[float], good: list[float]) -> float:
    """Chance that a bad mix scores higher than a good one: 0.5 a coin, 1 always."""
    b, g = np.array(bad)[:, None], np.array(good)[None]
    return float((b > g).mean() + 0.5 * (b == g).mean())


Pick = Callable[[Row], Any]

COLUMNS: Final = (
    "kind",
    "photos",
    "bad passed",
    "good failed",
    "sent back",
    "unusable caught",
    "rank",
    "rank of plain",
    "covered",
)
NUISANCES: Final[dict[str, Pick]] = {
    "mix": lambda row: row.truth["mix"],
    "pattern": lambda row: row.truth.get("pattern", "noise"),
    "material": lambda row: row.truth["material"] + (", agent-rich" if row.truth["agent_rich"] else ""),
    "paper": lambda row: "sheet" if row.truth["sheet"] else "plain",
    "light": lambda row: row.truth["light"].split(",")[0],
    "ground": lambda row: row.truth["ground"],
    "tilt": lambda row: f"{10 * int(row.truth['tilt_deg'] // 10)} deg up",
    "relief": lambda row: "below 0.25" if row.truth["relief"] < 0.25 else "0.25 up",
    "flaw": lambda row: row.truth["why_not"][0] if row.truth["why_not"] else "none",
}


def _counts(name: str, rows: list[Row]) -> tuple[str, ...]:
    """One line of the table; `bad passed` counts spoiled photographs too, `covered` truths within."""

    def part(of: Iterable[Row], verdict: str) -> str:
        of = list(of)
        return f"{sum(row.result.verdict == verdict for row in of)}/{len(of)}" if of else "-"

    told = [r for r in rows if r.usable and r.result.cov is not None and r.truth["cov"] is not None]
    covered = sum(r.result.cov_low <= r.truth["cov"] <= r.result.cov_high for r in told)

    def rank(measure: Pick) -> str:
        both = [(r.truth["cov"], measure(r)) for r in told if measure(r) is not None]
        return f"{spearmanr(*zip(*both, strict=True))[0]:.3f}" if len(both) > 9 else "-"

    return (
        name,
        str(len(rows)),
        part((r for r in rows if r.bad), "pass"),
        part((r for r in rows if r.usable and r.good), "fail"),
        part((r for r in rows if r.usable), "retake"),
        part((r for r in rows if not r.usable), "retake"),
        rank(lambda r: r.result.cov),
        rank(lambda r: r.plain),
        f"{covered}/{len(told)}" if told else "-",
    )


def report(rows: list[Row]) -> None:
    """Print the table by kind and by nuisance, the plain deviation's figures, and each wrong verdict."""
    lines = [COLUMNS, _counts("all", rows)]
    for what, pick in NUISANCES.items():
        lines += [
            _counts(f"{what}: {kind}", [r for r in rows if pick(r) == kind]) for kind in _kinds(rows, pick)
        ]
    widths = [max(len(line[n]) for line in lines) for n in range(len(COLUMNS))]
    for line in lines:
        print("| " + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) + " |")
    _beside(rows)
    for row in rows:
        right = ("pass" if row.good else "fail") if row.usable else "retake"
        if row.result.verdict != right and row.truth["mix"] != "borderline":
            t, r = row.truth, row.result
            cov = "none" if r.cov is None else f"{r.cov:.3f}"
            print(
                f"  {row.name} {t['mix']:14} {t['material']:9} true {t['cov']:.3f} found {cov} {r.verdict:7}"
                f" {','.join(t['why_not'])} {'sheet' if t['sheet'] else 'plain'} {r.reasons[0]}"
            )


def _kinds(rows: list[Row], pick: Pick) -> list[Any]:
    return sorted({pick(row) for row in rows})


def _beside(rows: list[Row]) -> None:
    """The plain standard deviation of grey on the same films, beside the coefficient of variation."""
    both = [r for r in rows if r.usable and r.plain is not None and r.result.cov is not None]
    good, bad = [r for r in both if r.good], [r for r in both if r.bad]
    truth = [r.truth["cov"] for r in both]
    measures: dict[str, Pick] = {"ours, CoV": lambda r: r.result.cov, "plain deviation": lambda r: r.plain}
    for name, measure in measures.items():
        allowed = float(np.quantile([measure(r) for r in good], 1 - GOOD_FAILED_MAX))
        missed = sum(measure(r) <= allowed for r in bad)
        rank = spearmanr(truth, [measure(r) for r in both])[0]
        apart = auc([measure(r) for r in bad], [measure(r) for r in good])
        print(
            f"{name:16} AUC good against bad {apart:.3f}, "
            f"rank correlation {rank:.3f}, bad passed at the threshold that fails "
            f"{GOOD_FAILED_MAX:.0%} of good {missed}/{len(bad)}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--seed", type=int, help="Of the first photograph; the held-out ones by default.")
    parser.add_argument("--set", choices=SETS, default="mixed")
    parser.add_argument("--folder", type=Path, help="Keep the rendered photographs here.")
    options = parser.parse_args()
    with TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        make_one, held_out = SETS[options.set]
        report(judge(folder, make(folder, options.photos, options.seed or held_out, make_one)))


if __name__ == "__main__":
    main()
