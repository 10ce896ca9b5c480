"""SQL for those who speak it: one SELECT over the catalog's views and the samples, read only and shut in."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import duckdb

from ..shared.errors import ConditionError, StoreError
from ..shared.late import pandas as pd
from ..shared.units import factors
from .connection import READER_WAIT_S, connect_memory, is_busy, open_catalog
from .guarded import check_files, limit_time, shut_in
from .instance import counted
from .places import CATALOG, frame_file
from .quoting import quote_text
from .units import UNIT_FUNCTIONS, define_unit_functions
from .views import SAMPLES, VIEWS

TIME_LIMIT_S = 60.0
MOST_ROWS = 1_000_000
LONGEST = 100_000  # characters
_PAUSE_S = 0.05


def ask_sql(programme: Path, statement: str, *, time_limit_s: float = TIME_LIMIT_S) -> pd.DataFrame:
    """The answer to one SELECT as a frame; values are SI, as stored.

    Names: the views of store/views.py, `samples`, the unit functions `kt(95)`, and `in_kt(x)` from SI
    to a unit. Raises ConditionError for anything else than one SELECT, for one that cannot be
    evaluated, and beyond the limits of time, memory or rows.
    """
    files = _frames(programme)
    check_files(files)
    with _open(programme) as connection:
        _define_names(connection, files)
        shut_in(connection, files)
        _check_statement(connection, statement)
        with limit_time(connection, time_limit_s):
            return _run(connection, statement)


def _frames(programme: Path) -> list[Path]:
    with open_catalog(programme) as connection:  # brings an older catalog up to date
        names = connection.execute("SELECT sortie FROM sortie ORDER BY start_utc, sortie").fetchall()
    return [frame_file(programme, str(row[0])) for row in names]


@contextmanager
def _open(programme: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog in a DuckDB of its own, whose settings can be locked without touching another reader's."""
    with counted(programme / CATALOG):
        connection = connect_memory()
        try:
            _attach(connection, programme / CATALOG)
            yield connection
        finally:
            connection.close()


def _attach(connection: duckdb.DuckDBPyConnection, catalog: Path) -> None:
    end = time.monotonic() + READER_WAIT_S
    while True:
        try:
            connection.execute(f"ATTACH {quote_text(str(catalog))} AS programme (READ_ONLY)")
            connection.execute("USE programme")
            return
        except duckdb.Error as error:
            if not is_busy(error) or time.monotonic() > end:
                raise StoreError("the catalog cannot be opened", where=str(catalog), found=_first_line(error)) from None
        time.sleep(_PAUSE_S)


def _define_names(connection: duckdb.DuckDBPyConnection, files: Sequence[Path]) -> None:
    if files:
        listed = ", ".join(quote_text(str(file)) for file in files)
        source = f"read_parquet([{listed}], union_by_name = true)"
        connection.execute(f"CREATE TEMP VIEW {SAMPLES} AS SELECT * FROM {source}")
    define_unit_functions(connection)
    for name, unit in UNIT_FUNCTIONS.items():
        factor, offset = factors(unit)
        connection.execute(
            f"CREATE TEMP MACRO in_{name}(x) AS (x - CAST({offset!r} AS DOUBLE)) / CAST({factor!r} AS DOUBLE)"
        )


def _check_statement(connection: duckdb.DuckDBPyConnection, statement: str) -> None:
    if len(statement) > LONGEST or "\0" in statement:
        raise ConditionError("the statement is too long or not text", allowed=f"up to {LONGEST} characters")
    try:
        found = connection.extract_statements(statement)
    except duckdb.Error as error:
        raise ConditionError("the SQL cannot be read", found=_first_line(error)) from None
    kinds = [one.type.name for one in found]
    if kinds != ["SELECT"]:
        raise ConditionError(
            "one SELECT is asked here, nothing else", found=" and ".join(kinds) or "no statement", allowed="SELECT ..."
        )


def _run(connection: duckdb.DuckDBPyConnection, statement: str) -> pd.DataFrame:
    try:
        connection.execute(statement)
        parts: list[pd.DataFrame] = []
        rows = 0
        while not parts or len(parts[-1]):
            parts.append(connection.fetch_df_chunk(20))
            rows += len(parts[-1])
            if rows > MOST_ROWS:
                raise ConditionError(
                    "the answer has too many rows", allowed=f"up to {MOST_ROWS:,}", do="select fewer, or add LIMIT"
                )
    except (duckdb.InterruptException, duckdb.OutOfMemoryException):
        raise
    except duckdb.Error as error:
        names = ", ".join([*(view.name for view in VIEWS), SAMPLES])
        allowed = f"the views {names}" if isinstance(error, duckdb.CatalogException) else None
        raise ConditionError("the SQL cannot be evaluated", found=_first_line(error), allowed=allowed) from None
    return pd.concat(parts[:-1] or parts, ignore_index=True)


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
