"""The smear commands: sheet, score."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from edge.cli import app
from edge.errors import CallError, InputError

if TYPE_CHECKING:
    from pipeline.derive.smear.results import SmearScore

# Below this many photographs, starting workers costs more than they save.
_WORTH_WORKERS = 6
_SHEET_TEXT_MAX = 24


@app.command()
def sheet(
    page: Annotated[Literal["a4", "letter"], typer.Option(help="Paper size, landscape.")],
    out: Annotated[Path, typer.Option(help="Where to write it: a name ending in .pdf or .png.")],
    dpi: Annotated[int, typer.Option(help="Pixels an inch.", min=72, max=1200)] = 300,
    sheet_no: Annotated[str, typer.Option(help="Number of the sheet, printed and in its QR code.")] = "",
    site: Annotated[str, typer.Option(help="Site, printed and in the QR code.")] = "",
    pump: Annotated[str, typer.Option(help="Pump, printed and in the QR code.")] = "",
) -> None:
    """Write the smear sheet to print.

    Example: beadbook sheet --page a4 --out sheet.pdf
    """
    from pipeline.sheetfile import sheet_file

    kind = out.suffix.lower().lstrip(".")
    if kind not in ("pdf", "png"):
        raise CallError(
            "neither .pdf nor .png", where=str(out), do="give --out a name that ends in one of them"
        )
    for option, text in (("--sheet-no", sheet_no), ("--site", site), ("--pump", pump)):
        plain = text.isascii() and all(c.isalnum() or c in "-_." for c in text)
        if not plain or len(text) > _SHEET_TEXT_MAX:
            raise CallError(
                f"{text!r} does not fit a sheet",
                where=option,
                do=f"use up to {_SHEET_TEXT_MAX} letters, digits, '-', '_' or '.'",
            )
    data = sheet_file(page, dpi, kind, sheet_no, site, pump)
    try:
        out.write_bytes(data)
    except OSError as error:
        raise CallError(
            f"cannot be written ({error.strerror})", where=str(out), do="choose another place"
        ) from None
    typer.echo(f"{out}: print at 100 %, not fitted to the page, and measure the 40 mm bar.")


@app.command()
def score(
    photos: Annotated[list[Path], typer.Argument(help="Photographs of smear tests.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line.")] = False,
    overlay: Annotated[
        Path | None, typer.Option(help="Folder for a picture of what was measured on each photograph.")
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Exit 1 unless all pass.")] = False,
) -> None:
    """Score photographs of smear tests: pass, fail or retake.

    Example: beadbook score monday/*.jpg --json
    """
    from pipeline.batch import score_files

    if overlay is not None:
        try:
            overlay.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CallError(
                f"no folder ({error.strerror})", where=str(overlay), do="give --overlay a folder"
            ) from None
    passed, unusable = True, False
    workers = len(photos) >= _WORTH_WORKERS
    for file, result in score_files(photos, overlay, workers=workers):
        if isinstance(result, InputError):
            print(f"beadbook: {result}", file=sys.stderr, flush=True)
            unusable = True
            continue
        print(_as_json(file, result) if as_json else _as_line(file, result), flush=True)
        passed &= result.verdict == "pass"
    if unusable:
        raise typer.Exit(3)
    if check and not passed:
        raise typer.Exit(1)


def _as_json(file: Path, result: "SmearScore") -> str:
    import msgspec

    return msgspec.json.encode({"file": str(file), **msgspec.structs.asdict(result)}).decode()


def _as_line(file: Path, result: "SmearScore") -> str:
    figures = [] if result.cov is None else [f"CoV {result.cov:.1%}"]
    if result.delta_e_p95 is not None:
        figures.append(f"dE95 {result.delta_e_p95:.1f}")
    if result.striation_mm is not None:
        figures.append(f"striation {result.striation_mm:.1f} mm")
    return f"{result.verdict.upper():<6}  {file}  {', '.join(figures)}\n        " + "\n        ".join(
        result.reasons
    )
