"""How often is a smear verdict right on photographs nobody tuned on? Renders, scores, counts.

Run as `python -m tests.benchmarks.smear_validation --photos 100`. The seeds from HELD_OUT on are kept for
this script: settings were never changed after a look at one of their pictures.
"""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.stats import spearmanr

from pipeline.batch import score_files
from tests.shop.nuisances import random_spec
from tests.shop.photographs import render, write_photo

HELD_OUT = 950_000


def make(folder: Path, count: int, seed: int) -> dict[str, dict]:
    """Render what the folder lacks; truth by file name."""
    book = folder / "truth.json"
    truths = json.loads(book.read_text()) if book.exists() else {}
    for n in range(count):
        name = f"{n:03d}.jpg"
        if name in truths:
            continue
        spec = random_spec(np.random.default_rng(seed + n))
        image, truth = render(spec, seed + n)
        write_photo(folder / name, image, spec)
        truths[name] = asdict(truth)
        book.write_text(json.dumps(truths))
    return {name: truth for name, truth in truths.items() if int(name[:3]) < count}


def auc(bad: np.ndarray, good: np.ndarray) -> float:
    """Chance that a bad mix scores higher than a good one: 0.5 a coin, 1 always."""
    return float((bad[:, None] > good[None]).mean() + 0.5 * (bad[:, None] == good[None]).mean())


def report(truths: dict[str, dict], folder: Path, workers: bool) -> None:
    """Print counts and correlations."""
    files = [folder / name for name in truths]
    rows = [(truths[file.name], result) for file, result in score_files(files, workers=workers)]
    usable = [(t, r) for t, r in rows if t["usable"]]
    good = [r for t, r in usable if t["mix"] == "good"]
    bad = [r for t, r in usable if t["mix"] in ("streaked", "badly_streaked")]
    spoiled = [(t, r) for t, r in rows if not t["usable"]]
    passed_bad = [r for t, r in rows if "streaked" in t["mix"] and r.verdict == "pass"]
    print(f"photographs {len(rows)}: usable {len(usable)} ({len(good)} good, {len(bad)} bad)")
    print(f"bad mixes passed      {len(passed_bad)} of all, spoiled photographs included")
    print(f"good mixes failed     {sum(r.verdict == 'fail' for r in good)} of {len(good)}")
    print(f"usable sent back      {sum(r.verdict == 'retake' for _, r in usable)} of {len(usable)}")
    print(f"unusable caught       {sum(r.verdict == 'retake' for _, r in spoiled)} of {len(spoiled)}")
    print(f"unusable passed       {sum(r.verdict == 'pass' for _, r in spoiled)} of {len(spoiled)}")
    pairs = [(t["cov"], r.cov, r.cov_seen) for t, r in usable if r.cov is not None]
    true, shared, seen = (np.array(column) for column in zip(*pairs, strict=True))
    print(
        f"rank correlation      {spearmanr(true, shared)[0]:.3f}"
        f"  plain deviation {spearmanr(true, seen)[0]:.3f}"
    )
    is_bad, is_good = true >= 0.1, true <= 0.05
    print(
        f"AUC good against bad  {auc(shared[is_bad], shared[is_good]):.3f}"
        f"  plain deviation {auc(seen[is_bad], seen[is_good]):.3f}"
    )
    for t, r in rows:
        wrong = (r.verdict == "pass") != (t["usable"] and t["mix"] == "good")
        if wrong:
            cov = "none" if r.cov is None else f"{r.cov:.3f}"
            print(
                f"  {t['mix']:15} true {t['cov']:.3f} found {cov} {r.verdict:7}"
                f" {t['why_not'] or ''} {r.reasons[0]}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--seed", type=int, default=HELD_OUT)
    parser.add_argument("--folder", type=Path, help="Keep the rendered photographs here.")
    parser.add_argument("--workers", action="store_true", help="Score with a process for each core.")
    options = parser.parse_args()
    with TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        report(make(folder, options.photos, options.seed), folder, options.workers)


if __name__ == "__main__":
    main()
