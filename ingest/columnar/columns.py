"""Arrow columns of any type as plain numbers or text."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..tables import TableColumn, as_floats
from ..text.headers import unit_in_name

_UNIT_KEYS = ("unit", "units", "uom", "unit_of_measure")
WIDEST_LIST = 64
_INDEX = re.compile(r"__index_level_\d+__")
_STEPS = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}


def read_columns(table: pa.Table) -> tuple[list[TableColumn], list[str]]:
    """Columns as numbers or text, and the names of those that are neither, each with its type."""
    units = _table_units(table)
    out: list[TableColumn] = []
    left: list[str] = []
    for field, column in _flat_fields(table):
        one = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
        unit = _field_unit(field) or units.get(field.name)
        found = _convert(field.name, one, unit)
        if found:
            out += found
        else:
            left.append(f"{field.name} ({field.type})")
    return out, left


def _flat_fields(table: pa.Table) -> Iterator[tuple[pa.Field, pa.ChunkedArray]]:
    """Fields with the members of nested ones beside each other, named 'outer.inner'."""
    while any(pa.types.is_struct(field.type) for field in table.schema):
        table = table.flatten()
    # a data frame's index, which its library writes behind the columns, stands in front of them
    order = sorted(range(len(table.schema)), key=lambda i: not _INDEX.fullmatch(table.schema.field(i).name))
    yield from ((table.schema.field(i), table.column(i)) for i in order)


def _field_unit(field: pa.Field) -> str | None:
    for key, value in (field.metadata or {}).items():
        if key.decode("utf-8", "replace").lower() in _UNIT_KEYS:
            return value.decode("utf-8", "replace").strip() or None
    return None


def _table_units(table: pa.Table) -> dict[str, str]:
    """Units a table states for all its columns in one piece: {"ias": "kt", ...} under the key 'units'."""
    for key, value in (table.schema.metadata or {}).items():
        if key.lower() in (b"units", b"unit"):
            try:
                found = json.loads(value)
            except ValueError:
                return {}
            return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}
    return {}


def _convert(name: str, column: pa.Array, unit: str | None) -> list[TableColumn]:
    kind = column.type
    if pa.types.is_dictionary(kind):
        return _convert(name, column.dictionary_decode(), unit)
    if isinstance(kind, pa.BaseExtensionType):
        return _convert(name, column.storage, unit)
    if (width := _list_width(column)) is not None:
        parts = [pc.list_element(column, i) for i in range(width)]
        return [c for i, part in enumerate(parts) for c in _convert(f"{name}[{i}]", part, unit or unit_in_name(name))]
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_boolean(kind):
        return [TableColumn(name, _numbers(column), unit)]
    if pa.types.is_decimal(kind):
        return [TableColumn(name, _numbers(column.cast(pa.float64())), unit)]
    if pa.types.is_duration(kind):
        seconds = _numbers(column.cast(pa.int64())) / _STEPS[kind.unit]
        return [TableColumn(name, seconds, unit or "s")]
    text = _as_text(column)
    return [TableColumn(name, text, unit)] if text is not None else []


def _list_width(column: pa.Array) -> int | None:
    """The length of all lists of a column of lists; None where they differ, are too long, or are none."""
    if pa.types.is_fixed_size_list(column.type):
        lengths = {column.type.list_size}
    elif pa.types.is_list(column.type) or pa.types.is_large_list(column.type):
        lengths = set(pc.unique(pc.list_value_length(column)).to_pylist()) - {None}
    else:
        return None
    return lengths.pop() if len(lengths) == 1 and 0 < min(lengths) <= WIDEST_LIST else None


def _numbers(column: pa.Array) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.uint8())
    return as_floats(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False))


def _as_text(column: pa.Array) -> pa.Array | None:
    """Text as it is, dates and times as ISO stamps with the digits they need; None for other types."""
    kind = column.type
    if pa.types.is_string(kind):
        return column
    if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        return column.cast(pa.string())
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        try:
            return column.cast(pa.string())
        except pa.ArrowInvalid:
            return None
    if pa.types.is_timestamp(kind):
        zone = "" if kind.tz is None else "Z"
        plain = _coarsest(column.cast(pa.timestamp(kind.unit)))
        return pc.binary_join_element_wise(plain.cast(pa.string()), zone, "")
    if pa.types.is_time(kind):
        return column.cast(pa.string())
    if pa.types.is_date(kind):
        return column.cast(pa.date32()).cast(pa.string())
    return None


def _coarsest(column: pa.Array) -> pa.Array:
    """Stamps in the coarsest unit that loses nothing, so that their text has no idle digits."""
    for unit in ("s", "ms", "us"):
        if unit == column.type.unit:
            break
        try:
            return column.cast(pa.timestamp(unit))
        except pa.ArrowInvalid:
            continue
    return column
