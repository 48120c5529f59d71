"""The commands that judge: release, rules, suspect."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from typer import Exit, Option

from edge.cli import app
from edge.given import check_names, parse_past
from pipeline.cli.land import DEFAULT_HOME, Home, existing_home

if TYPE_CHECKING:
    from pipeline.judge.explain import Explanation
    from pipeline.settings import SiteSettings

Json = Annotated[bool, Option("--json", help="JSON instead of text.")]


@app.command()
def release(
    site: Annotated[str, Option(help="The shop.")],
    pump: Annotated[str, Option(help="The pump.")],
    at: Annotated[str | None, Option(help="ISO 8601 with offset; now if left out.")] = None,
    why: Annotated[bool, Option("--why", help="With the chain of records behind it.")] = False,
    as_json: Json = False,
    check: Annotated[bool, Option("--check", help="Exit 1 unless the pump is released.")] = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """Say whether a pump may, or might, make units at a moment, and why.

    It is judged by all that is known today of the time up to that moment.

    Example: beadbook release --site hall-9 --pump pump-a --at 2026-10-14T08:50-05:00 --why
    """
    check_names(site=site, pump=pump)
    moment = datetime.now(UTC) if at is None else parse_past(at, "--at")

    import msgspec

    from edge.words import ReleaseState
    from pipeline.history import History
    from pipeline.judging import explain_at
    from pipeline.settings import load_settings

    home = existing_home(home)
    settings = load_settings(home)
    found, known_until = explain_at(History(home), settings, site, pump, moment.astimezone(UTC))
    released = found.state == ReleaseState.RELEASE
    if as_json:
        told = {"site": site, "pump": pump, "known_until": known_until, **msgspec.structs.asdict(found)}
        print(msgspec.json.encode(told).decode())
    else:
        _print(found, site, pump, known_until, settings, why=why)
    raise Exit(1 if check and not released else 0)


@app.command()
def rules(as_json: Json = False, home: Home = DEFAULT_HOME) -> None:
    """Print every rule that holds a pump: what raises it, what clears it, its limits here, where it is from.

    Example: beadbook rules --home ~/shop
    """
    from pipeline.judge.release import needs_in_words
    from pipeline.judge.rules import RULES
    from pipeline.settings import load_settings

    settings = load_settings(home.expanduser())
    rows: list[dict[str, Any]] = [
        {
            "rule": rule.name,
            "in_force": rule.name not in settings.limits.rules_off,
            "raised_when": rule.raised_when,
            "cleared_by": needs_in_words(rule.needs, rule.ended_by),
            "limits": {limit: _value(settings, limit) for limit in rule.limits},
            "origin": rule.origin,
        }
        for rule in RULES
    ]
    if as_json:
        import msgspec

        print(msgspec.json.encode(rows).decode())
        return
    from rich.console import Console
    from rich.table import Table

    table = Table(show_lines=True)
    for heading in ("rule", "holds when", "cleared by", "limits (site.toml)", "origin"):
        table.add_column(heading)
    for row in rows:
        limits = "\n".join(f"{limit} {value}".rstrip() for limit, value in row["limits"].items())
        name = row["rule"] if row["in_force"] else f"{row['rule']}\nOFF at this site"
        table.add_row(name, row["raised_when"], row["cleared_by"], limits, row["origin"])
    Console(width=None if Console().is_terminal else 150, highlight=False).print(table)


@app.command()
def suspect(
    site: Annotated[str | None, Option(help="One shop.")] = None,
    pump: Annotated[str | None, Option(help="One pump.")] = None,
    cleared: Annotated[bool, Option("--cleared", help="With those that a person has cleared.")] = False,
    as_json: Json = False,
    check: Annotated[bool, Option("--check", help="Exit 1 if any unit is suspect.")] = False,
    home: Home = DEFAULT_HOME,
) -> None:
    """List units that can no longer stand on their tests: why, since when, and what would clear them.

    A person clears one by a record of kind unit_cleared, with a reason and the evidence.

    Example: beadbook suspect --pump pump-a
    """
    import msgspec

    from pipeline.history import History
    from pipeline.join import connect
    from pipeline.judging import require_judged
    from pipeline.settings import load_settings

    home = existing_home(home)
    if site or pump:
        require_judged(History(home), site, pump)
    zone = load_settings(home).zone
    answer = connect(home).execute(
        """
        SELECT site, pump, unit, started, finished, test, since, found, reason, ref, clear_by, cleared
        FROM suspect_units WHERE site = coalesce($site, site) AND pump = coalesce($pump, pump)
        AND ($cleared OR cleared IS NULL) ORDER BY site, pump, started, unit, found
        """,
        {"site": site, "pump": pump, "cleared": cleared},
    )
    names = [column[0] for column in answer.description or ()]
    rows = [dict(zip(names, row, strict=True)) for row in answer.fetchall()]

    def clock(moment: datetime | None) -> str:
        return f"{moment.astimezone(zone):%d %b %H:%M}" if moment else "it began"

    for row in rows:
        if as_json:
            print(msgspec.json.encode(row).decode())
            continue
        print(f"{row['unit']}  {row['site']} {row['pump']}, made {clock(row['started'])}: {row['reason']}")
        print(f"    no good {row['test']} known since {clock(row['since'])}  [{row['ref']}]")
        print(f"    {'cleared by ' + row['cleared'] if row['cleared'] else 'to clear: ' + row['clear_by']}")
    if not rows and not as_json:
        print("No unit is suspect.")
    raise Exit(1 if check and any(row["cleared"] is None for row in rows) else 0)


def _value(settings: "SiteSettings", limit: str) -> str:
    """A limit's value here; a pump's own are each pump's to say."""
    table, _, field = limit.rpartition(".")
    if field == "*":
        return "see there"
    if table == "pumps.NAME":
        each = {name: getattr(pump, field) for name, pump in settings.pumps.items()}
        return ", ".join(f"{name} {value:g}" for name, value in each.items()) or "default"
    value = getattr(getattr(settings, table), field) if table else getattr(settings, field)
    return str(settings.day_start_clock)[:5] if field == "day_starts" else f"{value}"


def _print(
    found: "Explanation",
    site: str,
    pump: str,
    known_until: datetime | None,
    settings: "SiteSettings",
    *,
    why: bool,
) -> None:
    def clock(moment: datetime) -> str:
        return f"{moment.astimezone(settings.zone):%Y-%m-%d %H:%M:%S}"

    state = found.state.upper() if found.state else "NOTHING KNOWN"
    since = f", since {clock(found.since)}" if found.since else ""
    print(f"{state}  {site} {pump} at {clock(found.at)}{since} ({settings.time_zone})")
    if known_until is not None and known_until < found.at:
        print(f"Nothing is known of the pump after {clock(known_until)}.")
    for reason in found.reasons:
        print(f"- {reason}")
    if found.rules_off:
        print(f"Rules turned off at this site: {', '.join(found.rules_off)}.")
    if not why:
        return
    print("\nThe chain, from what stands and what ended since the production day began:")
    for link in found.chain:
        print(f"{link.rule} ({link.origin})")
        print(f"    {clock(link.raised.at)}  raised: {link.raised.text}{_cited(link.raised.ref)}")
        for piece in link.met:
            print(f"    {clock(piece.at)}  counted: {piece.text}{_cited(piece.ref)}")
        print(f"    {clock(link.ended)}  ended" if link.ended else f"    stands, needs {link.needs}")
    if not found.chain:
        print("    no rule has held it.")


def _cited(ref: str) -> str:
    return f"  [{ref}]" if ref else ""
