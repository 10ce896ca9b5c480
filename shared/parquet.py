"""The only two functions that know how a Track lies in a Parquet file.

Columns: `time_s` (seconds since the recording's start), `row` and `source` (the way back to the
line of the file), then the channels. Each field's metadata holds unit, header as written and
resolution; the schema's metadata holds the track's name, the recording's start and the sources.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from .durable import written_whole
from .late import parquet as pq
from .recording import Clock, Column, Source, Track
from .spill import note_use

LAYOUT_VERSION = 1
ROWS_PER_GROUP = 36_000  # one flight hour at 10 Hz; groups of 600 rows scan 17 times slower
_ROWS_AT_ONCE = 4 * ROWS_PER_GROUP
_FIRST_ROWS, _SAMPLE_ROWS = 64, 4096
_MANY = 0.7  # share of different values in a sample from which on a dictionary costs more than it saves


def write_track(track: Track, start_utc: dt.datetime, path: Path) -> None:
    """Write one track: to a temporary name beside `path`, flushed to disk, then renamed."""
    arrays: list[pa.Array] = [pa.array(track.time_s), pa.array(track.row), pa.array(track.source_index)]
    fields = [
        pa.field("time_s", pa.float64(), False, {"unit": "s", "meaning": "seconds since the recording's start"}),
        pa.field("row", pa.int64(), False, {"meaning": "line or record number in the source"}),
        pa.field("source", pa.int16(), False, {"meaning": "index into the list of sources"}),
    ]
    for column in track.columns.values():
        array = pa.array(list(column.values), pa.string()) if column.is_text else _numbers(column.values)
        arrays.append(array)
        # numbers have no nulls (NaN is missing), and coding whether there are any takes a tenth of the time
        fields.append(pa.field(column.name, array.type, column.is_text, _column_facts(column)))
    facts = {
        "trimshot": json.dumps(
            {
                "layout": LAYOUT_VERSION,
                "track": track.name,
                "start_utc": start_utc.isoformat(),
                "sources": [_source_facts(s) for s in track.sources],
            },
            sort_keys=True,
        )
    }
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=facts))
    encodings = {"time_s": "BYTE_STREAM_SPLIT", "row": "DELTA_BINARY_PACKED"}
    for column in track.columns.values():
        if not column.is_text and holds_many_values(track, column.name):
            encodings[column.name] = "BYTE_STREAM_SPLIT"
    write_table(table, path, column_encoding=encodings)


def has_many_values(values: np.ndarray[Any, Any]) -> bool:
    """Whether values seldom repeat, judged from rows spread over the column: byte-stream split is then the smaller and
    quicker coding, else a dictionary (measured on one hour at 10 Hz: 0.3 against 1 to 2 ms a column)."""
    sample = values[:: max(1, len(values) // _SAMPLE_ROWS)]
    return len(np.unique(sample)) > _MANY * len(sample)


def holds_many_values(track: Track, name: str) -> bool:
    """The same of a numeric column of a track, asked once: the frame asks it again of the very same samples."""
    if ("many values", name) not in track.found:
        track.found["many values", name] = has_many_values(track.columns[name].values)
    return bool(track.found["many values", name])


def write_table(table: pa.Table, path: Path, *, column_encoding: Mapping[str, str] | None = None) -> None:
    """Write a table so that a power cut leaves the whole file or none of it.

    Columns are dictionary coded, except those `column_encoding` names an encoding for.
    """
    encoding = dict(column_encoding or {})
    with (
        written_whole(path) as stream,
        pq.ParquetWriter(
            stream,
            table.schema,
            compression="lz4",  # 7 % more bytes than zstd's fastest, a seventh of the time less
            use_dictionary=[name for name in table.column_names if name not in encoding],
            column_encoding=encoding or None,
        ) as writer,
    ):
        for first in range(0, max(table.num_rows, 1), _ROWS_AT_ONCE):
            part = table.slice(first, _ROWS_AT_ONCE)
            writer.write_table(part, row_group_size=ROWS_PER_GROUP)
            note_use(part.nbytes)  # columns of a long recording lie on disk
    if table.num_rows > _ROWS_AT_ONCE:
        pa.default_memory_pool().release_unused()


def read_track(path: Path) -> tuple[Track, dt.datetime]:
    """The track written by `write_track`, and its recording's start."""
    table = pq.read_table(path)
    facts = json.loads(table.schema.metadata[b"trimshot"])
    columns: dict[str, Column] = {}
    for field in table.schema:
        if field.name in ("time_s", "row", "source"):
            continue
        meta = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        column = table.column(field.name)
        if pa.types.is_string(field.type):
            values: np.ndarray[Any, Any] = np.array(column.to_pylist(), dtype=object)
        else:
            values = column.to_numpy().astype(np.float64)
        columns[field.name] = Column(
            name=field.name,
            values=values,
            unit=meta.get("unit"),
            source_name=meta.get("header", field.name),
            source_unit=meta.get("unit_as_written"),
            step=float(meta["step"]) if "step" in meta else None,
            derived_from=tuple(json.loads(meta.get("derived_from", "[]"))),
        )
    sources = tuple(Source(**{**s, "clock": Clock(**s["clock"])}) for s in facts["sources"])
    track = Track(
        name=facts["track"],
        time_s=table.column("time_s").to_numpy().astype(np.float64),
        columns=columns,
        sources=sources,
        row=table.column("row").to_numpy().astype(np.int64),
        source_index=table.column("source").to_numpy().astype(np.int16),
    )
    return track, dt.datetime.fromisoformat(facts["start_utc"])


def _numbers(values: np.ndarray[Any, Any]) -> pa.Array:
    """float32 where that loses nothing, float64 otherwise; never a rounded copy."""
    with np.errstate(over="ignore"):
        for few in (values[:_FIRST_ROWS], values[:_SAMPLE_ROWS]):  # most columns are told by their first samples
            if ((few.astype(np.float32) != few) & (few == few)).any():
                return pa.array(values)
        short = values.astype(np.float32)
    same = np.array_equal(short.astype(np.float64), values, equal_nan=True)
    return pa.array(short if same else values)


def _source_facts(source: Source) -> dict[str, Any]:
    """The fields of a source; its ledger as it is, a copy of which would cost more than writing it."""
    facts = {field.name: getattr(source, field.name) for field in dataclasses.fields(source)}
    return {**facts, "clock": dataclasses.asdict(source.clock)}


def _column_facts(column: Column) -> dict[str, str]:
    facts = {"header": column.source_name}
    if column.unit is not None:
        facts["unit"] = column.unit
    if column.source_unit is not None:
        facts["unit_as_written"] = column.source_unit
    if column.step is not None:
        facts["step"] = repr(column.step)
    if column.derived_from:
        facts["derived_from"] = json.dumps(list(column.derived_from))
    return facts
