"""Pieces: a frame cut wherever any state changes or a gap lies, so that every state has one word in each piece.

A condition that asks for states alone is true or false for a whole piece; its answer needs no sample.
Pieces are cut out of the frame itself, row for row, so both answers agree; sums of the main channels
are kept with each, from which the means of any run of pieces follow.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ..shared.vocabulary import STATES
from .frame import Frame

# means of these are given for every stretch found, besides those of the channels a condition names
MAIN_CHANNELS: tuple[str, ...] = (
    "calibrated_airspeed",
    "pressure_altitude",
    "pressure_altitude_rate",
    "engine_speed",
)

Row = dict[str, object]


def cut_pieces(frame: Frame) -> list[Row]:
    """One row of the catalog per piece, in order, without its sortie."""
    table = frame.table
    if not table.num_rows:
        return []
    first = _first_rows(table)
    last = np.append(first[1:], table.num_rows) - 1
    columns: dict[str, list[object]] = {
        "number": list(range(1, len(first) + 1)),
        "gap": _numbers(table, "gap")[first].tolist(),
        "first_row": first.tolist(),
        "last_row": last.tolist(),
        "start_s": _numbers(table, "t")[first].tolist(),
        "stop_s": _numbers(table, "until")[last].tolist(),
    }
    for state in STATES:
        columns[state] = table.column(state).take(pa.array(first)).to_pylist()
    for channel in MAIN_CHANNELS:
        sums, counts = _sums(table, channel, first)
        columns[f"{channel}_sum"], columns[f"{channel}_rows"] = sums.tolist(), counts.tolist()
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def _first_rows(table: pa.Table) -> NDArray[np.int64]:
    """Row numbers where a piece begins, the first row among them."""
    breaks = np.diff(_numbers(table, "gap")) != 0
    for state in STATES:
        codes = table.column(state).combine_chunks().indices.fill_null(-1).to_numpy(zero_copy_only=False)
        breaks |= np.diff(codes) != 0
    return np.concatenate(([0], np.flatnonzero(breaks) + 1))


def _numbers(table: pa.Table, name: str) -> NDArray[np.float64]:
    return np.asarray(table.column(name).to_numpy())


def _sums(table: pa.Table, channel: str, first: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Sum and count of a channel's values in every piece."""
    if channel not in table.column_names:
        return np.zeros(len(first)), np.zeros(len(first), dtype=np.int64)
    values = table.column(channel).to_numpy()
    known = ~np.isnan(values)
    return np.add.reduceat(np.where(known, values, 0.0), first), np.add.reduceat(known.astype(np.int64), first)
