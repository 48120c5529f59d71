"""What did the caller mean? Names, moments and fields as they are typed on a command line."""

import json
import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from edge.errors import CallError
from edge.records import HEAD_FIELDS, KINDS, NAME_PATTERN

# Clocks of two computers may be so far apart before a time counts as one ahead.
CLOCKS_APART = timedelta(hours=1)


def check_fields(kind: str, told: Iterable[str]) -> None:
    """Raise CallError for a kind that nobody types, or a field that an option sets."""
    if kind not in KINDS:
        raise CallError(f"no kind {kind!r}", where="record", do=f"take one of {', '.join(sorted(KINDS))}")
    for name in told:
        if name in HEAD_FIELDS:
            raise CallError(f"{name!r} is no field of a {kind}", where="record", do="give it as an option")


def fields_of(kind: str) -> str:
    """A kind's own fields as a call gives them; those in brackets may be left out."""
    own = [field for field in msgspec.structs.fields(KINDS[kind]) if field.name not in HEAD_FIELDS]
    named = [f"{field.name}=..." if field.required else f"[{field.name}=...]" for field in own]
    return " ".join(named) or "no fields"


def field_of(text: str) -> tuple[str, Any]:
    name, sign, value = text.partition("=")
    if not sign:
        raise CallError(f"{text!r} has no value", where="record", do="write it as field=value")
    try:
        return name, json.loads(value)
    except ValueError:
        return name, value


def parse_moment(text: str, where: str) -> datetime:
    """An aware time. Raises CallError if it is none."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise CallError(f"{text!r} is no time", where=where, do="write it as 2026-10-14T12:40:00Z") from None
    if moment.tzinfo is None:
        raise CallError(f"{text!r} has no offset", where=where, do="add Z, or an offset such as -05:00")
    return moment.astimezone(UTC)


def parse_past(text: str, where: str) -> datetime:
    """An aware time at which something can have happened. Raises CallError if it is none, or lies ahead."""
    moment = parse_moment(text, where)
    if moment > datetime.now(UTC) + CLOCKS_APART:
        raise CallError(f"{text!r} lies in the future", where=where, do="give the time at which it was done")
    return moment


def check_names(**names: str) -> None:
    """Raise CallError for a name that could not travel in a topic."""
    for option, name in names.items():
        if not re.match(NAME_PATTERN, name):
            raise CallError(
                f"{name!r} can't be a name",
                where=f"--{option}",
                do="use small letters, digits and hyphens, as in pump-a",
            )
