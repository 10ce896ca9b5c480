"""An answer as columns, each with its unit: what CSV, Parquet and spreadsheet files are written from."""

from __future__ import annotations

import csv
import datetime as dt
import decimal
import io
import itertools
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..shared.settings import Settings
from .cells import flatten, harmless, plain
from .display import display_unit, shown, shown_difference

if TYPE_CHECKING:
    import pandas as pd

_PER_SECOND = "slope_per_s"
_DIFFERENCES = ("deviation", "error")


@dataclass(frozen=True, slots=True, eq=False)
class GridColumn:
    """One column: its name, the unit of its numbers (None: words, or named in the column itself), its cells.

    Numbers are whole to their last bit, as Parquet keeps them; text forms show ten digits.
    """

    name: str
    unit: str | None
    values: Sequence[Any]

    @property
    def head(self) -> str:
        """The column's name with its unit: `calibrated_airspeed mean [kt]`."""
        name = self.name.replace("__", " ")
        return f"{name} [{self.unit}]" if self.unit else name


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Columns of equal length."""

    columns: tuple[GridColumn, ...]

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.columns[0].values) if self.columns else 0

    def heads(self) -> list[str]:
        """Names of the columns with their units, each once."""
        seen: dict[str, int] = {}
        out = []
        for column in self.columns:
            seen[column.head] = seen.get(column.head, 0) + 1
            out.append(column.head if seen[column.head] == 1 else f"{column.head} ({seen[column.head]})")
        return out

    def cells(self) -> Iterator[tuple[Any, ...]]:
        """Row by row: None, booleans, numbers, text (times as text)."""
        return zip(*([plain(value) for value in column.values] for column in self.columns), strict=True)


def grid_of_records(records: Sequence[Mapping[str, Any]]) -> Grid:
    """Columns of records, nested keys joined with a dot.

    A unit that stands beside its value (`x_unit`, or `unit` beside `mean`) and is the same in every
    row goes into the column's name; one that changes from row to row stays a column.
    """
    rows = [flatten(plain(record)) for record in records]
    names: dict[str, None] = {}
    for row in rows:
        names.update(dict.fromkeys(row))
    values = {name: [row.get(name) for row in rows] for name in names}
    units: dict[str, str | None] = {}
    for name in names:
        owners = _owners(name, names)
        words = {value for value in values[name] if value is not None}
        if owners and len(words) <= 1 and all(isinstance(word, str) for word in words):
            units.update(dict.fromkeys([name, *owners], next(iter(words), None)))
            del values[name]
    return Grid(tuple(_column(name, units.get(name), some) for name, some in values.items()))


def grid_of_frame(frame: pd.DataFrame, settings: Settings | None) -> Grid:
    """Columns of an answer of the programme, in display units; in the frame's own (SI) without settings."""
    units: Mapping[str, str] = frame.attrs.get("units", {})
    columns = []
    for name in (str(one) for one in frame.columns):
        channel, _, suffix = name.partition("__")
        unit = display_unit(channel, settings) if settings is not None and name in units else None
        values = frame[name]
        if unit is not None and settings is not None:
            convert = shown_difference if suffix in _DIFFERENCES else shown
            values = convert(values.astype("float64"), channel, settings)
        elif settings is None and not name.endswith("_s"):
            unit = units.get(name)
        columns.append(GridColumn(name, None if unit == "1" else unit, _cells(values)))
    return Grid(tuple(columns))


def csv_of(grid: Grid) -> str:
    """CSV; the first line names the columns with their units; cells a spreadsheet would run are disarmed."""
    stream = io.StringIO()
    usual = csv.writer(stream, lineterminator="\n")
    # a carriage return alone is no reason to quote for Python before 3.13, and a new line for every spreadsheet
    quoting = csv.writer(stream, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    for row in itertools.chain([grid.heads()], grid.cells()):
        cells = [harmless(value) for value in row]
        broken = any(isinstance(cell, str) and "\r" in cell for cell in cells)
        (quoting if broken else usual).writerow(cells)
    return stream.getvalue()


def _owners(name: str, names: Mapping[str, None]) -> list[str]:
    """The columns whose unit a column states; none when it is no such column."""
    if name.endswith("_unit"):
        owner = name.removesuffix("_unit")
        return [owner] if owner in names else []
    if name.endswith(".unit"):
        stem = name.removesuffix("unit")
        numbers = ("mean", "deviation", "standard_error", "type_b", "low", "high", "value", _PER_SECOND)
        return [stem + one for one in numbers if stem + one in names]
    return []


def _column(name: str, unit: str | None, values: list[Any]) -> GridColumn:
    if unit == "1":
        unit = None
    if unit and name.endswith("." + _PER_SECOND):
        return GridColumn(name.removesuffix("_per_s"), f"{unit}/s", values)
    return GridColumn(name, unit, values)


def _cells(values: pd.Series[Any]) -> list[Any]:
    return [_cell(value) for value in values.tolist()]


def _cell(value: Any) -> Any:
    """None, a boolean, a number, a text or a time; whatever else a database holds as text, nested values as JSON."""
    if isinstance(value, list | tuple | dict) or hasattr(value, "tolist"):
        return json.dumps(_nested(value), ensure_ascii=False)
    if value is None or type(value).__name__ == "NAType" or value != value:
        return None
    if isinstance(value, dt.datetime):
        return value if value.tzinfo is not None else value.replace(tzinfo=dt.UTC)
    if isinstance(value, decimal.Decimal):
        return float(value)
    if isinstance(value, bytes | bytearray):
        return bytes(value).hex()
    if isinstance(value, float) and math.isinf(value):
        return None
    return value if isinstance(value, bool | int | float | str) else str(value)


def _nested(value: Any) -> Any:
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, dict):
        return {str(key): _nested(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_nested(one) for one in value]
    return plain(_cell(value))
