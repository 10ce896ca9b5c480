"""Channel groups of an opened measurement data file as tables: the group's master is its time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

import numpy as np
import pyarrow as pa

from ..tables import TableColumn, TypedTable, as_floats
from ..text.preamble import Facts

WIDEST = 64


def read_groups(mdf: Any, errors: tuple[type[Exception], ...]) -> tuple[list[TypedTable], list[str], Facts]:
    """(tables, what was left out, start of the measurement). errors: what the library raises for a channel it cannot read."""
    tables: list[TypedTable] = []
    left: list[str] = []
    facts = Facts()
    start = getattr(mdf, "start_time", None)
    if isinstance(start, dt.datetime):
        facts.start, facts.evidence = start.replace(tzinfo=None), "start of the measurement in the file's header"
        if start.tzinfo is not None:
            facts.zone_s = (start.utcoffset() or dt.timedelta(0)).total_seconds()
            facts.utc = facts.zone_s == 0
    for number, group in enumerate(mdf.groups):
        name = str(getattr(group.channel_group, "acq_name", "") or "") or f"group {number + 1}"
        table = _read_group(mdf, number, name, facts, left, errors)
        if table is not None:
            tables.append(table)
    return tables, left, facts


def _read_group(
    mdf: Any, number: int, name: str, facts: Facts, left: list[str], errors: tuple[type[Exception], ...]
) -> TypedTable | None:
    master = mdf.masters_db.get(number)
    columns: list[TableColumn] = []
    stamps: Any = None
    for index, channel in enumerate(mdf.groups[number].channels):
        if index == master:
            continue
        try:
            signal = mdf.get(group=number, index=index)
        except errors as error:
            left.append(f"{channel.name} ({type(error).__name__})")
            continue
        stamps = signal.timestamps if stamps is None else stamps
        found = list(_columns(signal)) if len(signal.samples) == len(stamps) else []
        columns += found
        if not found:
            left.append(f"{channel.name} ({signal.samples.dtype})")
    if stamps is None or not columns:
        return None
    if master is not None:
        time = TableColumn("time", as_floats(stamps), "s")
        columns.insert(0, time)
    return TypedTable(name, tuple(columns), facts)


def _columns(signal: Any) -> Iterator[TableColumn]:
    samples, unit = signal.samples, str(signal.unit or "").strip() or None
    if samples.dtype.names or samples.ndim > 2 or (samples.ndim == 2 and samples.shape[1] > WIDEST):
        return
    if samples.ndim == 2 and samples.dtype.kind in "biuf":
        for k in range(samples.shape[1]):
            yield TableColumn(f"{signal.name}[{k}]", as_floats(samples[:, k]), unit)
    elif samples.dtype.kind in "biuf":
        yield TableColumn(signal.name, as_floats(samples), unit)
    elif samples.dtype.kind in "SU":
        words = [v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in samples.tolist()]
        yield TableColumn(signal.name, pa.array([w.strip("\0 ") or None for w in words], pa.string()), unit)
    elif samples.dtype.kind == "O":
        texts = [None if v is None or (isinstance(v, float) and np.isnan(v)) else str(v) for v in samples.tolist()]
        yield TableColumn(signal.name, pa.array(texts, pa.string()), unit)
