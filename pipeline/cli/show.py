"""The commands that show: summary, query, logbook, logbook verify."""

import sys
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Annotated

import typer
from typer import Exit, Option

from edge.cli import app
from edge.errors import CallError, InputError
from pipeline.cli.land import DEFAULT_HOME, Home, existing_home

# Beyond these, clocks and calendars no longer agree on what a day is.
YEARS = range(1970, 2200)

Json = Annotated[bool, Option("--json", help="JSON instead of text.")]


@app.command()
def summary(
    site: Annotated[str, Option(help="The shop.")],
    pump: Annotated[str, Option(help="The pump.")],
    day: Annotated[str, Option(help="Local date on which the shift starts, YYYY-MM-DD.")],
    shift: Annotated[int, Option(help="Number of the shift.")],
    html: Annotated[Path | None, Option(help="Write a page that needs nothing else to this file.")] = None,
    pdf: Annotated[Path | None, Option(help="Write a printed sheet to this file.")] = None,
    paper: Annotated[str, Option("--page", help="Paper of the PDF: a4 or letter.")] = "a4",
    as_json: Json = False,
    check: Annotated[bool, Option("--check", help="Exit 1 if the shift ends on hold.")] = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """Sum up a shift: release or hold, and why.

    With what went wrong, the figures, tests, stops, units, and what is still to do.

    Example: beadbook summary --site hall-9 --pump pump-a --day 2026-10-14 --shift 1 --html shift.html
    """
    asked = _day(day, "--day")

    from edge.words import ReleaseState
    from pipeline.show.summary import open_shift, summarise

    home = home.expanduser()
    opened = open_shift(home, site, pump, asked, shift)
    found = summarise(opened)
    if html is not None:
        from pipeline.show.page import render_page

        _write(html, render_page(found, opened, home).encode())
    if pdf is not None:
        from pipeline.show.sheet import PAPERS, render_pdf

        if paper not in PAPERS:
            raise CallError(f"no paper {paper!r}", where="--page", do=f"take one of {', '.join(PAPERS)}")
        _write(pdf, render_pdf(found, opened, home, paper))
    if as_json:
        import msgspec

        print(msgspec.json.encode(found).decode())
    elif html is None and pdf is None:
        from rich.console import Console

        from pipeline.show.terminal import print_summary

        print_summary(found, Console(width=None if sys.stdout.isatty() else 120, highlight=False))
    for path in filter(None, (html, pdf)):
        print(path, file=sys.stderr if as_json else sys.stdout)
    raise Exit(1 if check and found.verdict == ReleaseState.HOLD else 0)


@app.command()
def query(
    sql: Annotated[
        str | None, typer.Argument(help="One SELECT over the public views.", show_default=False)
    ] = None,
    named: Annotated[str | None, Option(help="A question asked before, by its name; ? lists them.")] = None,
    form: Annotated[str, Option("--format", help="table, csv, json or parquet.")] = "table",
    timeout_s: Annotated[float, Option(min=0.1, help="Give up after so long [s].")] = 120.0,
    home: Home = DEFAULT_HOME,
) -> None:
    """Ask the history in SQL; reads only.

    SHOW TABLES names the views, DESCRIBE shift_summary the columns of one.

    --named asks one of the questions that engineers asked before; --named '?' lists them.

    Example: beadbook query "SELECT day, shift, verdict, units_made FROM shift_summary ORDER BY ALL"
    """
    from pipeline.cli.limits import limited, no_file_written
    from pipeline.join.ask import ask
    from pipeline.join.questions import named_question, question_lines
    from pipeline.show.answers import FORMATS, write_answer

    if form not in FORMATS:
        raise CallError(f"no format {form!r}", where="--format", do=f"take one of {', '.join(FORMATS)}")
    if (sql is None) == (named is None):
        raise CallError("neither or both of SQL and --named", where="query", do="give one of them")
    if named == "?":
        print("\n".join(question_lines()))
        return
    sql = sql or named_question(named or "")
    with limited(timeout_s):
        with no_file_written():
            answer = ask(home.expanduser(), sql, timeout_s)
        write_answer(answer, form, sys.stdout.buffer, sys.stdout.isatty())
        sys.stdout.flush()


logbook_app = typer.Typer(add_completion=False, rich_markup_mode=None, invoke_without_command=True)
app.add_typer(logbook_app, name="logbook")


@logbook_app.callback()
def logbook(
    context: typer.Context,
    site: Annotated[str | None, Option(help="One shop.")] = None,
    pump: Annotated[str | None, Option(help="One pump.")] = None,
    since: Annotated[str | None, Option(help="From this UTC date on, YYYY-MM-DD.")] = None,
    until: Annotated[str | None, Option(help="Up to and with this UTC date.")] = None,
    project: Annotated[str | None, Option(help="With --pdf: what its units' numbers begin with.")] = None,
    pdf: Annotated[Path | None, Option(help="Write it to this file as an auditor files it.")] = None,
    page: Annotated[str, Option(help="a4 or letter.")] = "a4",
    as_json: Json = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """List what was written down and judged, or verify it.

    In order of time; what a correction supersedes stays, and says so.

    Example: beadbook logbook --pump pump-a --since 2026-10-14
    """
    if context.invoked_subcommand is not None:
        return
    first = _midnight(since, "--since")
    last = _midnight(until, "--until")

    home = existing_home(home)
    end = last + timedelta(days=1) if last else None
    if site or pump:
        from pipeline.history import History
        from pipeline.judging import require_judged

        require_judged(History(home), site, pump)
    if pdf is not None:
        from pipeline.show.filed import PAPERS, file_logbook

        if page not in PAPERS:
            raise CallError(f"no page {page!r}", where="--page", do=f"take one of {', '.join(PAPERS)}")
        made = file_logbook(
            home,
            site=site,
            pump=pump,
            since=first,
            until=end,
            project=project,
            paper=page,
            now=datetime.now(UTC),
        )
        _write(pdf, made)
        print(pdf)
        return
    if project is not None:
        raise CallError("it chooses what is filed", where="--project", do="give --pdf FILE with it")

    from pipeline.show.logbook import entries

    found = entries(home, site, pump, first, end)
    if as_json:
        import msgspec

        for entry in found:
            print(msgspec.json.encode(entry).decode())
        return
    for entry in found:
        mark = f"  [superseded by …{entry.superseded_by[-8:]}]" if entry.superseded_by else ""
        said = f"{entry.what.replace('_', ' ')}: {entry.text}" if entry.text else entry.what.replace("_", " ")
        print(
            f"{entry.time:%Y-%m-%d %H:%M:%S}Z  {entry.site}  {entry.pump}  …{entry.ref[-8:]}  "
            f"{entry.person}  {said}{mark}"
        )


@logbook_app.command("verify")
def verify_logbook(
    against: Annotated[Path | None, Option(help="Digests filed earlier, of `digest --json`.")] = None,
    as_json: Json = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """Check that what has been written down is still as it came. Exits 1 and says where if not.

    Example: beadbook logbook verify --home ~/shop --against filed/2026-10-14.json
    """
    from pipeline.show.logbook import verify, verify_filed

    checks = verify(home.expanduser())
    if against is not None:
        checks.append(verify_filed(home.expanduser(), against))
    wrong = sum(len(one.wrong) for one in checks)
    if as_json:
        import msgspec

        print(msgspec.json.encode({"wrong": wrong, "checks": checks}).decode())
    else:
        for one in checks:
            print(f"{'✗' if one.wrong else '✓'} {one.what}: looked at {one.looked_at}")
            for sentence in one.wrong:
                print(f"    {sentence}")
    raise Exit(1 if wrong else 0)


@logbook_app.command("digest")
def digest_logbook(
    day: Annotated[str | None, Option(help="As of the end of this UTC date; now if left out.")] = None,
    as_json: Json = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """Print each pump's last entry and its digest, to file or send elsewhere each day.

    Whoever rewrites what was written before changes it: `logbook verify --against` holds it to that.

    Example: beadbook logbook digest --json > filed/2026-10-14.json
    """
    import msgspec

    from pipeline.chain import heads

    end = _midnight(day, "--day")
    found = heads(existing_home(home), end + timedelta(days=1) if end else None)
    if as_json:
        print(msgspec.json.encode(found).decode())
        return
    for head in found:
        print(f"{head.site}  {head.pump}  entry {head.n}  {head.digest}")


def _day(text: str, option: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise CallError(f"{text!r} is no date", where=option, do="write it as 2026-10-14") from None
    if not YEARS.start <= day.year < YEARS.stop:
        raise CallError(f"{text} is not from {YEARS.start} to {YEARS.stop - 1}", where=option, do="check it")
    return day


def _midnight(text: str | None, option: str) -> datetime | None:
    return None if text is None else datetime.combine(_day(text, option), time(), UTC)


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InputError(
            f"can't be written: {error.strerror}", where=str(path), do="name a file in a folder that is there"
        ) from None
