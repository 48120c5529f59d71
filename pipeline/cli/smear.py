"""The smear commands: sheet, score, limits, shade."""

import os
import sys
from pathlib import Path
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from edge.cli import app
from edge.errors import CallError, InputError
from pipeline.cli.land import DEFAULT_HOME, Home

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
    # One that can't be read gets its sentence in its turn, and the others their verdicts.
    photos: Annotated[
        list[Path], typer.Argument(help="Photographs of smear tests.", show_default=False, readable=False)
    ],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line.")] = False,
    overlay: Annotated[
        Path | None, typer.Option(help="Folder for a picture of what was measured on each photograph.")
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Exit 1 unless all pass.")] = False,
    home: Annotated[
        Path | None,
        typer.Option(help="Folder of the pipeline whose site.toml sets the limits; else defaults."),
    ] = None,
    pump: Annotated[
        str | None, typer.Option(help="With --home: the pump whose material's shade is held against.")
    ] = None,
) -> None:
    """Score photographs of smear tests: pass, fail or retake.

    Example: beadbook score monday/*.jpg --json
    """
    # The matrices are small: threads would wait for each other. NumPy's library asks when it is loaded.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipeline.batch import score_files
    from pipeline.settings import load_settings

    if pump is not None and home is None:
        raise CallError("says nothing without a site's settings", where="--pump", do="give --home as well")
    settings = load_settings(home.expanduser()) if home is not None else None
    limits = settings.smear if settings else None
    material = settings.pump(pump).material if settings and pump is not None else None

    if overlay is not None:
        _require_room_for(overlay)
    passed, unusable = True, False
    workers = len(photos) >= _WORTH_WORKERS
    for file, result in score_files(photos, overlay, workers=workers, limits=limits, material=material):
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


@app.command()
def limits(
    site: Annotated[str | None, typer.Option(help="One shop.")] = None,
    pump: Annotated[str | None, typer.Option(help="One pump.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of text.")] = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """Hold the camera against the operators' eyes, and propose the limit that their calls ask for.

    Changes nothing: what is proposed is text for site.toml.

    Example: beadbook limits --pump pump-a
    """
    from pipeline.limits import limits_in_words, report_limits
    from pipeline.settings import load_settings

    home = home.expanduser()
    report = report_limits(home, load_settings(home), site, pump)
    if as_json:
        import msgspec

        print(msgspec.json.encode(report).decode())
    else:
        print(limits_in_words(report))


@app.command()
def shade(
    site: Annotated[str, typer.Option(help="The shop.")],
    pump: Annotated[str, typer.Option(help="The pump.")],
    svg: Annotated[Path | None, typer.Option(help="Draw the chart into this file.")] = None,
    home: Home = DEFAULT_HOME,
) -> None:
    """Show how the shade of a pump's smears has moved, lot by lot: an even mix of the wrong ratio shows here.

    With the text that sets the material's own shade in site.toml, from the smears that passed.

    Example: beadbook shade --site hall-9 --pump pump-a --svg shade.svg
    """
    from pipeline.settings import load_settings
    from pipeline.show.shade import draw_shades, median_shade, shades_of

    home = home.expanduser()
    settings = load_settings(home)
    shades = shades_of(home, settings, site, pump)
    material = settings.pump(pump).material
    usual = median_shade(shades)
    for one in shades:
        print(f"{one.time:%Y-%m-%d %H:%M}Z  L* {one.light:5.1f}  {one.verdict:<4}  {one.lots}")
    if material is None:
        figures = ", ".join(f"{value:.1f}" for value in usual)
        print(
            f'\nNo shade is set. Of these:\n\n[pumps.{pump}.material]\nname = "..."\nshade_lab = [{figures}]'
        )
    if svg is not None:
        own = (material.name, material.shade_lab[0]) if material else ("median of what passed", usual[0])
        try:
            svg.write_text(
                draw_shades(shades, f"Shade of {pump} at {site}", own, settings.zone), encoding="utf-8"
            )
        except OSError as error:
            raise CallError(
                f"cannot be written ({error.strerror})", where=str(svg), do="choose another place"
            ) from None
        print(svg)


def _require_room_for(overlay: Path) -> None:
    """Make the folder, and see that it takes a file: before the work, not after each photograph."""
    try:
        overlay.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=overlay):
            pass
    except OSError as error:
        raise CallError(
            f"takes no files ({error.strerror})",
            where=str(overlay),
            do="give --overlay a folder that can be written",
        ) from None


def _as_json(file: Path, result: "SmearScore") -> str:
    import msgspec

    # A name of other bytes than UTF-8 has no JSON of its own.
    name = os.fsencode(file).decode("utf-8", "replace")
    return msgspec.json.encode({"file": name, **msgspec.structs.asdict(result)}).decode()


def _as_line(file: Path, result: "SmearScore") -> str:
    figures = [] if result.cov is None else [f"CoV {result.cov:.1%}"]
    if result.delta_e_p95 is not None:
        figures.append(f"dE95 {result.delta_e_p95:.1f}")
    if result.striation_mm is not None:
        figures.append(f"striation {result.striation_mm:.1f} mm")
    from pipeline.photos import shown

    return f"{result.verdict.upper():<6}  {shown(file)}  {', '.join(figures)}\n        " + "\n        ".join(
        result.reasons
    )
