"""Answers into files: CSV, JSON, Parquet, spreadsheet; written whole or not at all, the same answer the same bytes."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..shared.durable import written_whole
from ..shared.errors import InputError
from .grid import Grid, GridColumn, csv_of
from .workbook import workbook_bytes

if TYPE_CHECKING:
    import pyarrow as pa

About = Sequence[tuple[str, str]]


def grid_bytes(grid: Grid, form: str, about: About) -> bytes:
    """A grid as csv, json, parquet or xlsx."""
    if form == "parquet":
        return _parquet_bytes(grid, about)
    if form == "xlsx":
        return workbook_bytes(grid, about)
    return encoded(csv_of(grid) if form == "csv" else json_of(grid))


def json_of(grid: Grid) -> str:
    """One object per row, the columns named with their units."""
    heads = grid.heads()
    rows = [dict(zip(heads, row, strict=True)) for row in grid.cells()]
    return json.dumps(rows, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def encoded(text: str) -> bytes:
    """UTF-8; half a character (of a file name that is none) is written as an escape."""
    return text.encode("utf-8", errors="backslashreplace")


def write_file(path: Path, content: bytes) -> None:
    """Write a file whole. Raises InputError where that is not possible."""
    try:
        with written_whole(path) as stream:
            stream.write(content)
    except OSError as error:
        raise InputError(
            "the file cannot be written", where=str(path), found=error.strerror or str(error), do="name another place"
        ) from None


def about_lines(asked: str, facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Key and text, line by line: the program, what was asked, then the facts (sequences and mappings one line each)."""
    from ..store.rows import program_version

    lines = [("program", f"trimshot {program_version()}"), ("asked", asked)]
    for key, value in facts.items():
        if isinstance(value, Mapping):
            lines += [(f"{key}: {name}", str(reason)) for name, reason in value.items()]
        elif isinstance(value, list | tuple):
            lines += [(key, str(one)) for one in value] or [(key, "none")]
        else:
            lines.append((key, str(value)))
    return lines


def _parquet_bytes(grid: Grid, about: About) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    arrays, fields = [], []
    for head, column in zip(grid.heads(), grid.columns, strict=True):
        array = _array(column)
        arrays.append(array)
        fields.append(pa.field(head, array.type, metadata={"unit": column.unit} if column.unit else None))
    schema = pa.schema(fields, metadata={"trimshot": json.dumps(list(about), ensure_ascii=False)})
    stream = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), stream, compression="zstd")
    return stream.getvalue()


def _array(column: GridColumn) -> pa.Array:
    """Times as timestamps, numbers as numbers; what is mixed or nested as text."""
    import pyarrow as pa

    values = [_moment(value) if column.name.endswith("_utc") else value for value in column.values]
    kinds = {type(value) for value in values if value is not None}
    if kinds == {bool}:
        return pa.array(values, pa.bool_())
    if kinds == {int}:
        return pa.array(values, pa.int64())
    if kinds and kinds <= {int, float}:
        return pa.array([None if value is None else float(value) for value in values], pa.float64())
    if kinds and all(issubclass(kind, dt.datetime) for kind in kinds):
        return pa.array(values, pa.timestamp("us", tz="UTC"))
    return pa.array([None if value is None else _text(value) for value in values], pa.string())


def _moment(value: Any) -> Any:
    return dt.datetime.fromisoformat(value) if isinstance(value, str) else value


def _text(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return text.encode("utf-8", errors="backslashreplace").decode("utf-8")
