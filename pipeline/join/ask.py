"""How is a stranger's SQL answered? Read only: one SELECT, over the history's files and nothing else."""

import threading
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa

from edge.errors import CallError
from pipeline.join.open import open_views

MEMORY: Final = "2GB"
TIMEOUT_S: Final = 120.0  # [s]
# PIVOT is a SELECT that DuckDB makes into several statements.
_READING: Final = frozenset({duckdb.StatementType.SELECT, duckdb.StatementType.MULTI})
_WHERE: Final = "SQL"


def open_read_only(home: str | Path) -> duckdb.DuckDBPyConnection:
    """A connection with the public views, which reads the history's files and can't be talked into more."""
    connection, files = open_views(home)
    allowed = [path.replace("'", "''") for path in files]
    for setting in (
        f"memory_limit = '{MEMORY}'",
        "temp_directory = ''",
        "allowed_directories = []",
        f"allowed_paths = [{', '.join(f'{chr(39)}{path}{chr(39)}' for path in allowed)}]",
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
    return connection


def ask(home: str | Path, sql: str, timeout_s: float = TIMEOUT_S) -> pa.Table:
    """Rows that answer one SELECT. Raises CallError for anything else, and for a mistake in the SQL."""
    connection = open_read_only(home)
    try:
        statements = connection.extract_statements(sql)
    except duckdb.Error as error:
        raise _mistake(error) from None
    if len(statements) != 1 or statements[0].type not in _READING:
        raise CallError("not one SELECT", where=_WHERE, do="ask one question at a time; query only reads")
    alarm = threading.Timer(timeout_s, connection.interrupt)
    alarm.start()
    try:
        return connection.sql(sql).to_arrow_table()
    except duckdb.InterruptException:
        raise CallError(
            f"no answer within {timeout_s:g} s", where=_WHERE, do="narrow it to fewer days or pumps"
        ) from None
    except duckdb.OutOfMemoryException:
        raise CallError(
            f"the answer does not fit in {MEMORY}", where=_WHERE, do="narrow it, or ask for fewer columns"
        ) from None
    except duckdb.PermissionException:
        raise CallError(
            "only the history may be read", where=_WHERE, do="name the public views, not files or extensions"
        ) from None
    except duckdb.Error as error:
        raise _mistake(error) from None
    finally:
        alarm.cancel()
        connection.close()


def _mistake(error: duckdb.Error) -> CallError:
    """DuckDB's own words as one sentence: the first line, and its suggestion if it has one."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    said = lines[0] if lines else "not SQL"
    hint = next((line for line in lines[1:] if line.startswith(("Did you mean", "Candidate"))), None)
    return CallError(said.rstrip(".!"), where=_WHERE, do=hint.rstrip(".") if hint else "mend the SQL")
