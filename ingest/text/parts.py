"""The tables inside one table of text: usually one; several where channels have times of their own.

Two layouts hold several: pairs of columns (time, value, time, value), each pair at its own rate, and one
value a row with the channel's name beside it. Read as one table, the first would put values at other
channels' times and the second would be no channels at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .headers import Heading
from .numbers import Cells
from .timecolumns import Column, TimeColumns
from .values import Values

Rows = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Part:
    """One table: its columns, what they are called, where its time is, the line of every row, (n,).

    beside: lines of further values at the same times (one value a row), (n,) each.
    """

    values: Values
    headings: Sequence[Heading]
    found: TimeColumns
    line: Rows
    beside: tuple[Rows, ...] = ()


def take(column: Column, rows: Rows) -> Column:
    """Some rows of a column."""
    return column[rows] if isinstance(column, np.ndarray) else column.take(pa.array(rows))


def take_cells(cells: Cells | None, rows: Rows) -> Cells | None:
    """Some rows of a column's cells; what was met on the way is said of the whole column."""
    if cells is None:
        return None
    return replace(cells, values=cells.values[rows], word_rows=np.flatnonzero(np.isin(rows, cells.word_rows)))


def same_column(a: Column, b: Column) -> bool:
    """True for two columns of one kind with the same fields."""
    if isinstance(a, np.ndarray) != isinstance(b, np.ndarray):
        return False
    if isinstance(a, np.ndarray):
        return bool(np.array_equal(a, b, equal_nan=True))
    return bool(a.equals(b))
