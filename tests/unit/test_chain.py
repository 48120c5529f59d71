"""Whatever is done to a single entry of the logbook, it must be found, and be told where."""

import random
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.chain import BEGINNING, Chains, Head, check_chain, check_heads, digest_of, heads, path_of

PLACE = ("hall-9", "pump-a")
START = datetime(2026, 10, 14, 11, tzinfo=UTC)
ENTRIES = 40


def row(number, table="records"):
    common = {"site": PLACE[0], "pump": PLACE[1], "landed_at": START + timedelta(minutes=number)}
    common |= {"edge": "edge-a", "stream": "a" * 32, "seq": number, "at": START, "by": "R. Okafor"}
    if table == "photos":
        return {"sha256": f"{number:064x}", "size_bytes": 9, "name": "p.jpg", "sheet": None, **common}
    return {"id": f"id-{number}", "kind": "purge", "note": "", "body": f'{{"n":{number}}}', **common}


@pytest.fixture
def home(tmp_path):
    """Forty entries, every fifth a photograph, as landing writes them: a few at a time."""
    chains = Chains(tmp_path)
    for number in range(1, ENTRIES + 1):
        table = "photos" if number % 5 == 0 else "records"
        chains.add(table, [row(number, table)])
    return tmp_path


def tables():
    found = {"records": {}, "photos": {}}
    for number in range(1, ENTRIES + 1):
        table = "photos" if number % 5 == 0 else "records"
        one = row(number, table)
        found[table][one["id" if table == "records" else "sha256"]] = [one]
    return found


def wrong(home, rows=None):
    return check_chain(home, PLACE, tables() if rows is None else rows)[1]


def line_of(sentence):
    return int(sentence.partition(", line ")[2].partition(":")[0])


def test_what_nobody_touched_stands(home):
    assert check_chain(home, PLACE, tables()) == (ENTRIES, [])


def flip(lines, rng):
    at = rng.randrange(len(lines))
    line = bytearray(lines[at])
    line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
    return [*lines[:at], bytes(line), *lines[at + 1 :]], {at + 1}


def delete(lines, rng):
    at = rng.randrange(len(lines))
    return [*lines[:at], *lines[at + 1 :]], {at + 1}


def insert(lines, rng):
    """A line of one's own making, which even follows from the one before it."""
    at = rng.randrange(len(lines) + 1)
    prev = digest_of(lines[at - 1]) if at else BEGINNING
    forged = (
        f'{{"n":{at + 1},"prev":"{prev}","table":"records","ref":"id-{rng.randrange(10**6) + 100}",'
        f'"landed_at":"2026-10-14T11:00:00Z","row":"{rng.getrandbits(256):064x}"}}'
    )
    return [*lines[:at], rng.choice([forged.encode(), rng.choice(lines)]), *lines[at:]], {at + 1}


def swap(lines, rng):
    one, other = sorted(rng.sample(range(len(lines)), 2))
    moved = list(lines)
    moved[one], moved[other] = moved[other], moved[one]
    return moved, {one + 1, other + 1}


@pytest.mark.parametrize("tamper", [flip, delete, insert, swap])
def test_a_thousand_tamperings_of_single_lines_are_found_and_located(home, tamper):
    path = path_of(home, PLACE)
    lines = path.read_bytes().splitlines()
    rng = random.Random(f"{tamper.__name__}")
    rows = tables()
    for _ in range(1000):
        tampered, places = tamper(lines, rng)
        path.write_bytes(b"".join(line + b"\n" for line in tampered))
        told = wrong(home, rows)
        assert told, places
        if tamper is delete and places == {ENTRIES}:
            assert any("was never written down here" in sentence for sentence in told)
            continue
        named = {line_of(sentence) for sentence in told if ", line " in sentence}
        # Where one of two neighbours was changed, the sentence names the second and says so.
        for place in places:
            assert named & {place, place + 1}, (places, told)
        if tamper is not insert:
            assert min(named) >= min(places), (places, told)


def test_a_thousand_tamperings_of_single_rows_are_found_and_located(home):
    rng = random.Random(5)
    for _ in range(1000):
        rows = tables()
        number = rng.randrange(ENTRIES) + 1
        table = "photos" if number % 5 == 0 else "records"
        ref = f"{number:064x}" if table == "photos" else f"id-{number}"
        (one,) = rows[table][ref]
        how = rng.choice(["change", "delete", "double", "insert"])
        if how == "change":
            column = rng.choice(sorted(one.keys() - {"id", "sha256", "site", "pump"}))
            value = one[column]
            one[column] = value + timedelta(seconds=1) if isinstance(value, datetime) else f"{value}x"
        elif how == "delete":
            del rows[table][ref]
        elif how == "double":
            rows[table][ref].append(dict(one))
        else:
            rows[table]["id-999"] = [row(999)]
        told = wrong(home, rows)
        assert len(told) == 1, (how, told)
        assert ("id-999" in told[0]) if how == "insert" else line_of(told[0]) == number


def test_a_chain_rewritten_whole_no_longer_bears_the_digest_that_was_filed(home, tmp_path_factory):
    filed = heads(home)
    early = heads(home, START + timedelta(minutes=8))
    assert [head.n for head in (*early, *filed)] == [7, ENTRIES]
    assert check_heads(home, [*filed, *early]) == []
    other = tmp_path_factory.mktemp("other")
    forged = [
        row(number) | ({"by": "someone else"} if number == 7 else {}) for number in range(1, ENTRIES + 1)
    ]
    Chains(other).add("records", forged)
    assert len(check_heads(other, [*filed, *early])) == 2
    shorter = tmp_path_factory.mktemp("shorter")
    Chains(shorter).add("records", [row(1)])
    assert "it ends at entry 1" in check_heads(shorter, filed)[0]
    assert check_heads(home, [Head("hall-9", "pump-z", 1, BEGINNING)])


def test_what_a_kill_tore_off_is_written_down_again(home):
    path = path_of(home, PLACE)
    whole = path.read_bytes()
    path.write_bytes(whole[:-20])
    chains = Chains(home)
    records = [some[0] for some in tables()["records"].values()]
    photos = [some[0] for some in tables()["photos"].values()]
    chains.catch_up("records", records)
    chains.catch_up("photos", photos)
    assert path.read_bytes() == whole
    chains.catch_up("photos", photos)
    assert path.read_bytes() == whole


def test_a_chain_whose_end_is_no_entry_is_not_written_on(home, caplog):
    path = path_of(home, PLACE)
    path.write_bytes(path.read_bytes() + b"junk\n")
    before = path.read_bytes()
    Chains(home).add("records", [row(50)])
    assert path.read_bytes() == before
    assert "not chained" in caplog.text
