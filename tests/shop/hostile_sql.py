"""What would somebody ask who wants more than answers? Seeded SQL after files, settings, time and memory."""

# ruff: noqa: E501  a table of questions reads best with as many on a line as there is room for

import random
from collections.abc import Iterator
from pathlib import Path

READERS = (
    *("read_csv", "read_csv_auto", "read_text", "read_blob", "read_json", "read_json_auto", "read_ndjson"),
    *("read_json_objects", "read_parquet", "parquet_scan", "parquet_metadata", "parquet_schema", "glob"),
    *("sniff_csv", "read_duckdb", "parquet_kv_metadata", "parquet_file_metadata", "read_single_csv_file"),
)
ENGINE = (
    *("arrow_scan", "pandas_scan", "python_arrow_scan", "python_map_function", "arrow_scan_dumb", "seq_scan"),
    *("checkpoint", "force_checkpoint", "enable_logging", "disable_logging", "enable_profiling"),
    *("create_external_resource", "register_external_resource_type", "add_grammar_extension", "query"),
    *("query_table", "json_execute_serialized_sql", "duckdb_secrets", "which_secret", "duckdb_settings"),
    *("duckdb_logs", "duckdb_extensions", "duckdb_external_file_cache", "duckdb_databases"),
)
STATEMENTS = (
    "COPY (SELECT 1) TO '{made}'", "COPY smear_tests TO '{made}' (FORMAT parquet)", "EXPORT DATABASE '{made}'",
    "IMPORT DATABASE '{canary}'", "ATTACH '{made}' AS other", "ATTACH '{canary}'", "DETACH memory",
    "INSTALL httpfs", "INSTALL httpserver FROM community", "LOAD httpfs", "LOAD '{canary}'", "FORCE INSTALL json",
    "SET lock_configuration = false", "SET enable_external_access = true", "SET memory_limit = '1TB'",
    "SET allowed_paths = ['{canary}']", "RESET ALL", "PRAGMA enable_profiling = 'json'", "PRAGMA database_list",
    "PRAGMA version", "SET GLOBAL threads = 1000", "PRAGMA import_database('{canary}')", "USE memory",
    "CREATE SECRET s (TYPE s3, KEY_ID 'x', SECRET 'y')", "CREATE TABLE t AS SELECT 1", "DROP VIEW smear_tests",
    "CREATE OR REPLACE VIEW smear_tests AS SELECT 1", "CREATE OR REPLACE MACRO psi(x) AS 0", "VACUUM",
    "CREATE MACRO smear_tests() AS TABLE SELECT 1", "INSERT INTO days VALUES (1)", "DELETE FROM days", "CHECKPOINT",
    "UPDATE days SET day = NULL", "ALTER TABLE days ADD COLUMN x INT", "BEGIN", "COMMIT", "PREPARE p AS SELECT 1",
    "EXECUTE p", "CALL pragma_version()", "EXPLAIN ANALYZE SELECT 1", "CREATE TYPE x AS ENUM ('a')", "ANALYZE",
    "COMMENT ON VIEW smear_tests IS 'x'", "CREATE SEQUENCE q", "MERGE INTO days USING days ON true", "SELECT 1; {any}",
    "WITH x AS (DELETE FROM days RETURNING *) SELECT * FROM x", "{any}; SELECT 1", "CREATE TEMP TABLE t (a INT)",
    "COPY days FROM '{canary}'", "SELECT 1 INTO OUTFILE '{made}'", "CREATE TRIGGER t AFTER INSERT ON days",
)  # fmt: skip
ENDLESS = (
    "SELECT * FROM generate_series(1, 1000000000000)", "SELECT count(*) FROM range(1000000000000)",
    "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t) SELECT max(n) FROM t",
    "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n FROM t) SELECT * FROM t",
    "SELECT repeat('x', 3000000000)", "SELECT list(i) FROM range(100000000000) r(i)", "SELECT sleep_ms(1000000)",
    "SELECT regexp_matches(repeat('a', 1000000), '(a+)+$b')", "SELECT lpad('x', 2000000000, 'y')",
    "SELECT string_agg(repeat('x', 100000), '') FROM range(10000000)", "SELECT list_resize([1], 5000000000)",
    "SELECT * FROM range(100000) a, range(100000) b, range(100000) c", "SELECT range(5000000000)",
    "SELECT factorial(100000)", "SELECT regexp_replace(repeat('ab', 5000000), '(a|b)*', '\\1\\1', 'g')",
    "SELECT bit_count(repeat('1', 1000000000)::BIT)", "SELECT levenshtein(repeat('a', 200000), repeat('b', 200000))",
    "SELECT list_sort(list_transform(range(100000000), x -> x % 7))", "SELECT quantile_cont(i, 0.5) FROM range(100000000000) r(i)",
    "SELECT array_agg(a) OVER (ORDER BY a) FROM range(1000000) t(a)", "SELECT md5(repeat('x', 4000000000))",
    "SELECT printf('%1000000000d', 1)", "SELECT format('{{:>1000000000}}', 1)", "SELECT list_reduce(range(100000000), (a, b) -> a + b)",
)  # fmt: skip
ODD = (
    "", ";", ";;;", "--", "/*", "'", '"', "\x00", "SELECT \x00 1", "SELECT '\ud7ff'", "\u202eSELECT 1", "SELEC 1",
    "SELECT 1e400", "SELECT -1e400::INT", "SELECT 1/0", "SELECT 'a'::INT", "SELECT NULL::STRUCT(a INT)", "SELECT {any}",
    "SELECT * FROM shift_summary WHERE", "SELECT (SELECT (SELECT (SELECT", "SELECT [1,[2,[3", "SELECT $1", "SELECT ?",
    "SELECT $name", "FROM {any}", "VALUES", "TABLE", "SELECT current_setting('allowed_paths')", "SELECT getenv('BEADBOOK_CANARY')",
    "SELECT * FROM information_schema.tables", "SELECT * FROM pg_catalog.pg_settings", "SELECT * FROM sqlite_master",
    "SELECT * FROM home", "SELECT * FROM sql", "SELECT * FROM connection", "SELECT * FROM batches", "SELECT * FROM sys",
    "SELECT CAST('x' AS BLOB)", "SELECT '\\x00'::BLOB", "SELECT map([1],[2])", "SELECT union_value(a := 1)", "SELECT uuid()",
    "SELECT INTERVAL '1000000 years' + now()", "SELECT make_date(999999999, 1, 1)", "SELECT TIMESTAMP '290000-01-01'",
    "SELECT DATE 'infinity'", "SELECT 'NaN'::DOUBLE", "SELECT 170141183460469231731687303715884105727::HUGEINT", "SELECT 1 AS a, 2 AS a",
)  # fmt: skip


def hostile_sql(seed: int, count: int, canary: Path, made: Path) -> Iterator[str]:
    """SQL strings. canary : a file that must stay unread; made : one that must never come to be."""
    rng = random.Random(seed)
    for _ in range(count):
        text = _one(rng).replace("{canary}", str(canary)).replace("{made}", str(made))
        yield _disguised(rng, text) if rng.random() < 0.5 else text


def _one(rng: random.Random) -> str:
    kind = rng.random()
    if kind < 0.25:
        return _reading(rng)
    if kind < 0.40:
        arguments = rng.choice(("", "1", "1, 2, 3", "'x'", "'SELECT 1'", "(SELECT 1)", "1::UBIGINT", "NULL"))
        return rng.choice(("SELECT * FROM {}({})", "FROM {}({})", "SELECT {}({})")).format(
            rng.choice(ENGINE), arguments
        )
    if kind < 0.70:
        return rng.choice(STATEMENTS).replace("{any}", rng.choice(STATEMENTS))
    if kind < 0.73:  # few, since each of them runs until its time is over
        return rng.choice(ENDLESS)
    if kind < 0.85:
        return rng.choice(ODD).replace("{any}", rng.choice(STATEMENTS))
    if kind < 0.92:
        depth = rng.choice((10, 200, 2_000))
        wrap = rng.choice(
            (("(", ")"), ("[", "]"), ("abs(", ")"), ("(SELECT ", ")"), ("NOT ", ""), ("- ", ""))
        )
        return f"SELECT {wrap[0] * depth}1{wrap[1] * depth}"
    soup = [
        "SELECT",
        "FROM",
        "WHERE",
        "(",
        ")",
        ",",
        "*",
        "'",
        '"',
        ";",
        "--",
        "/*",
        "*/",
        "::",
        "[",
        "]",
        "{",
        "}",
        "$1",
        "?",
        "psi",
        "smear_tests",
        "1",
        "'a'",
        "AS",
        "JOIN",
        "ON",
    ]
    return " ".join(rng.choice(soup) for _ in range(rng.randint(1, 40)))


def _reading(rng: random.Random) -> str:
    target = rng.choice(
        (
            *("{canary}", "/etc/passwd", "/proc/self/environ", "http://127.0.0.1:9/x.csv"),
            *("s3://b/x.parquet", "../../../etc/passwd", "/dev/zero", "*", "~/.ssh/*", "file:///etc/passwd"),
        )
    )
    form = rng.choice(
        (
            "SELECT * FROM {f}('{t}')", "FROM {f}('{t}')", "SELECT * FROM '{t}'", 'SELECT * FROM "{t}"',
            "SELECT * FROM smear_tests JOIN {f}('{t}') ON true", "SELECT (SELECT count(*) FROM {f}('{t}'))",
            "SELECT * FROM {f}(['{t}'])", "SELECT * FROM {f}('{t}', filename := true)", "TABLE '{t}'",
            "WITH x AS (FROM {f}('{t}')) SELECT * FROM x", "SELECT * FROM main.{f}('{t}')", "SUMMARIZE '{t}'",
            "SELECT * FROM smear_tests WHERE sheet IN (SELECT content FROM {f}('{t}'))", "DESCRIBE FROM '{t}'",
            "SELECT * FROM query('FROM {f}(''{t}'')')", "PIVOT (FROM {f}('{t}')) ON column0 USING count(*)",
            "SELECT * FROM system.main.{f}('{t}')", 'SELECT * FROM "{f}" (\'{t}\')', "SELECT {f}('{t}')",
        )
    )  # fmt: skip
    return form.format(f=rng.choice(READERS), t=target)


def _disguised(rng: random.Random, text: str) -> str:
    """The same with other case, comments between words, or a piece cut off, doubled or exchanged."""
    for _ in range(rng.randint(1, 3)):
        trick = rng.randrange(7)
        at = rng.randint(0, len(text))
        if trick == 0:
            text = "".join(rng.choice((letter.lower(), letter.upper())) for letter in text)
        elif trick == 1:
            text = text.replace("(", rng.choice((" (", "/**/(", "\n(", " -- x\n(")))
        elif trick == 2:
            text = text.replace(" ", rng.choice(("/**/", "\t", "\n", "  ")))
        elif trick == 3:
            text = text[:at] + text[at + rng.randint(1, 8) :]
        elif trick == 4:
            text = text[:at] + rng.choice("'\";()-\u00a0\u200b\ufeffß\x01") + text[at:]
        elif trick == 5:
            text = rng.choice(("{}", "SELECT * FROM ({})", "{};", "{} UNION ALL {}", "/* */ {}")).replace(
                "{}", text
            )
        else:
            text = text + rng.choice((" -- ", " LIMIT 1", ";", " /*"))
    return text
