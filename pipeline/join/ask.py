"""How is a stranger's SQL answered? Read only: one SELECT, over the history's files and nothing else.

DuckDB is told to leave files, extensions and settings alone, and keeps to that. Some table functions are
refused by name on top of it: those that take addresses in memory or run SQL out of a text, where one mistake
of the engine would be a way out.
"""

import threading
from itertools import pairwise
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa

from edge.errors import CallError
from pipeline.join.open import open_views

MEMORY: Final = "2GB"
TIMEOUT_S: Final = 120.0  # [s]
ANSWER_BYTES_MAX: Final = 1024**3
SQL_CHARACTERS_MAX: Final = 100_000
_BATCH_ROWS: Final = 50_000
_WHERE: Final = "SQL"
# Table functions of DuckDB 2 that only make rows out of their arguments, or tell of the views.
_FUNCTIONS: Final = frozenset(
    {
        *("range", "generate_series", "unnest", "repeat", "repeat_row", "json_each", "json_tree"),
        *("histogram", "histogram_values", "summary", "pragma_table_info", "pragma_version"),
        *("duckdb_columns", "duckdb_functions", "duckdb_keywords", "duckdb_tables", "duckdb_types"),
        *("duckdb_views", "icu_calendar_names", "pg_timezone_names"),
    }
)
# Read files or the network, and DuckDB says so itself.
_OUTSIDE: Final = "only the history may be read"
_OUTSIDE_DO: Final = "name the public views, not files or extensions"


def open_read_only(home: str | Path) -> duckdb.DuckDBPyConnection:
    """A connection with the public views, which reads the history's files and can't be talked into more."""
    connection, files = open_views(home)
    allowed = [path.replace("'", "''") for path in files]
    for setting in (
        f"memory_limit = '{MEMORY}'",
        "temp_directory = ''",
        "allowed_directories = []",
        f"allowed_paths = [{', '.join(f'{chr(39)}{path}{chr(39)}' for path in allowed)}]",
        # Else a table's name that is none is looked up among the variables of this program.
        "python_enable_replacements = false",
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
    return connection


def ask(home: str | Path, sql: str, timeout_s: float = TIMEOUT_S) -> pa.Table:
    """Rows that answer one SELECT. Raises CallError for anything else, and for a mistake in the SQL."""
    if len(sql) > SQL_CHARACTERS_MAX:
        raise CallError(
            f"{len(sql)} characters are more than a question's {SQL_CHARACTERS_MAX}",
            where=_WHERE,
            do="ask a shorter one",
        )
    if not sql.isprintable() and (odd := {c for c in sql if not c.isprintable()} - set("\t\r\n")):
        raise CallError(
            f"holds the character {sorted(odd)[0]!r}, which is no text", where=_WHERE, do="take it out"
        )
    connection = open_read_only(home)
    alarm = threading.Timer(timeout_s, connection.interrupt)
    try:
        _require_one_select(connection, sql)
        alarm.start()
        return _answer(connection, sql)
    except (duckdb.Error, pa.ArrowException, OSError, RuntimeError, MemoryError) as error:
        # Once rows flow, Arrow hands on DuckDB's errors as an OSError with the same words.
        raise _refusal(error, timeout_s) from None
    finally:
        alarm.cancel()
        connection.close()


def _answer(connection: duckdb.DuckDBPyConnection, sql: str) -> pa.Table:
    """The rows, taken batch by batch, so that an answer without end is not waited for."""
    relation = connection.sql(sql)
    if relation is None:
        raise CallError("not one SELECT", where=_WHERE, do="ask one question at a time; query only reads")
    reader = relation.to_arrow_reader(_BATCH_ROWS)
    batches, size = [], 0
    for batch in reader:
        size += batch.nbytes
        if size > ANSWER_BYTES_MAX:
            raise CallError(
                f"the answer is larger than {ANSWER_BYTES_MAX // 1024**2} MB",
                where=_WHERE,
                do="narrow it, or ask for fewer columns",
            )
        batches.append(batch)
    return pa.Table.from_batches(batches, schema=reader.schema)


def _require_one_select(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Raise CallError for what is no SELECT, or calls a table function that a question has no need of."""
    words = _words(sql)
    statements = connection.extract_statements(sql)
    # PIVOT is a SELECT that DuckDB makes into several statements.
    reading = {duckdb.StatementType.SELECT}
    if any(word.startswith("pivot") for word in words):
        reading.add(duckdb.StatementType.MULTI)
    if len(statements) != 1 or statements[0].type not in reading:
        raise CallError("not one SELECT", where=_WHERE, do="ask one question at a time; query only reads")
    known = connection.execute(
        "SELECT DISTINCT lower(function_name) FROM duckdb_functions() "
        "WHERE function_type IN ('table', 'table_macro')"
    ).fetchall()
    barred = {name for (name,) in known} - _FUNCTIONS
    called = {name for name, after in pairwise(words) if after == "("}
    for name in sorted(called & barred):
        raise CallError(f"{_OUTSIDE}, so {name}() may not be called", where=_WHERE, do=_OUTSIDE_DO)


def _words(sql: str) -> list[str]:
    """The SQL's tokens without its comments; names in small letters, unquoted."""
    tokens = duckdb.tokenize(sql)
    data = sql.encode()  # the offsets count bytes
    words = []
    for (start, kind), (end, _) in pairwise([*tokens, (len(data), None)]):
        if kind is duckdb.token_type.comment:
            continue
        word = data[start:end].decode(errors="replace")
        # A comment that follows a name may not have a token of its own.
        word = word.partition("--")[0].partition("/*")[0].strip().lower()
        if word[:1] == '"':
            word = word[1:-1].replace('""', '"')
        if word:
            words.append(word)
    return words


def _refusal(error: Exception, timeout_s: float) -> CallError:
    """One sentence for whatever DuckDB ended a question with."""
    said = str(error)
    if isinstance(error, duckdb.InterruptException) or said.startswith("INTERRUPT Error"):
        return CallError(
            f"no answer within {timeout_s:g} s", where=_WHERE, do="narrow it to fewer days or pumps"
        )
    if isinstance(error, duckdb.OutOfMemoryException | MemoryError) or said.startswith("Out of Memory Error"):
        return CallError(
            f"the answer does not fit in {MEMORY}", where=_WHERE, do="narrow it, or ask for fewer columns"
        )
    if isinstance(error, duckdb.PermissionException) or said.startswith("Permission Error"):
        return CallError(_OUTSIDE, where=_WHERE, do=_OUTSIDE_DO)
    # DuckDB's own words: the first line, and its suggestion if it has one.
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    what = lines[0][:500] if lines else "not SQL"
    hint = next((line for line in lines[1:] if line.startswith(("Did you mean", "Candidate"))), None)
    return CallError(what.rstrip(".!"), where=_WHERE, do=hint[:300].rstrip(".") if hint else "mend the SQL")
