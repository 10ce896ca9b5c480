"""Tables held as plain columns of equal length: what a question works on before anybody asks for a frame.

A value that is missing is NaN in a column of numbers and None in one of words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, TypeAlias

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

Column: TypeAlias = NDArray[Any]
Columns: TypeAlias = dict[str, Column]


def fetch_columns(connection: duckdb.DuckDBPyConnection, sql: str, values: Sequence[object] = ()) -> Columns:
    """The answer to a query."""
    found = connection.execute(sql, list(values)).fetchnumpy()
    return {str(name): _without_mask(column) for name, column in found.items()}


def row_count(columns: Columns) -> int:
    """Rows of a table."""
    return len(next(iter(columns.values()))) if columns else 0


def take_rows(columns: Columns, which: Column) -> Columns:
    """Some rows: by their numbers, or a truth value for each."""
    return {name: column[which] for name, column in columns.items()}


def append_tables(tables: Sequence[Columns]) -> Columns:
    """Tables one below the other; what one of them has not is missing in its rows."""
    names = dict.fromkeys(name for table in tables for name in table)
    whole = {}
    for name in names:
        kind = next(table[name].dtype for table in tables if name in table)
        parts = [table.get(name, _missing(kind, row_count(table))) for table in tables]
        whole[name] = np.concatenate(parts)
    return whole


def sorted_order(columns: Columns, names: Sequence[str]) -> NDArray[np.int64]:
    """Numbers of the rows in rising order of these columns, the first counting most; equal ones stay in their order."""
    return np.lexsort([_rank(columns[name]) for name in reversed(names)])


def object_column(values: Iterable[object]) -> Column:
    """A column of words, or of lists."""
    some = list(values)
    column = np.empty(len(some), dtype=object)
    for place, value in enumerate(some):  # numpy would take lists of equal length for a second dimension
        column[place] = value
    return column


def arrow_table(columns: Columns) -> pa.Table:
    """The same for DuckDB to read."""
    words = {name for name, column in columns.items() if column.dtype == object}
    return pa.table(
        {name: pa.array(column, pa.string() if name in words else None) for name, column in columns.items()}
    )


def _rank(column: Column) -> Column:
    """Numbers in the order of a column's values; words compare slowly."""
    if column.dtype != object:
        return column
    places = {word: place for place, word in enumerate(sorted(set(column.tolist())))}
    return np.fromiter((places[word] for word in column.tolist()), dtype=np.int64, count=len(column))


def _missing(kind: np.dtype[Any], rows: int) -> Column:
    return np.full(rows, None, dtype=object) if kind.hasobject else np.full(rows, np.nan)


def _without_mask(column: Any) -> Column:
    if not isinstance(column, np.ma.MaskedArray):
        return np.asarray(column)
    values = column.data.astype(object if column.dtype == object else np.float64)
    values[np.ma.getmaskarray(column)] = None if column.dtype == object else np.nan
    return np.asarray(values)
