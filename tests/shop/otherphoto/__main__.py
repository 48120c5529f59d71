"""Make photographs with their truth: python -m tests.shop.otherphoto FOLDER --photos N --seed S."""

import argparse
import json
from pathlib import Path

from tests.shop.otherphoto.pages import printed_pages
from tests.shop.otherphoto.photo import photograph
from tests.shop.otherphoto.plan import planned


def make(folder: Path, photos: int, seed: int, sheets: str) -> list[dict[str, object]]:
    """Write photographs seed, seed + 1, ... and truth.json. Returns the truths."""
    folder.mkdir(parents=True, exist_ok=True)
    pages = {} if sheets == "plain" else printed_pages()
    truths = []
    for number in range(seed, seed + photos):
        jpeg, truth = photograph(planned(number, sheets), pages)
        name = f"other_{number}.jpg"
        (folder / name).write_bytes(jpeg)
        truths.append({"file": name, "seed": number, **truth})
    (folder / "truth.json").write_text(json.dumps(truths, indent=1))
    return truths


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=20)
    parser.add_argument("--seed", type=int, default=70000)
    parser.add_argument("--set", choices=["plain", "sheet", "mixed"], default="mixed", dest="sheets")
    given = parser.parse_args()
    made = make(given.folder, given.photos, given.seed, given.sheets)
    print(f"{len(made)} photographs in {given.folder}")
