"""One value a row with the channel's name beside it, as telemetry and data bases are often exported."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .headers import Heading, unit_in_name
from .numbers import Cells, read_cells
from .parts import Part, Rows, same_column, take
from .timecolumns import Column, TimeColumns, words_of
from .values import Values

MOST_CHANNELS = 2000
LEAST_ROWS = 3  # of a channel, on average
_NAME_WORDS = frozenset(
    "channel chan name signal parameter param variable var sensor tag label measurement mnemonic key field kanal item".split()  # noqa: SIM905
)
_VALUE_WORDS = frozenset("value val data reading measurement wert result raw eng".split())  # noqa: SIM905
_UNIT_WORDS = frozenset("unit units uom einheit".split())  # noqa: SIM905


@dataclass(frozen=True, slots=True)
class _Layout:
    name: int
    value: int
    unit: int | None


def find_tall(
    values: Values, written: Sequence[Column], headings: Sequence[Heading], *, found: TimeColumns, line: Rows
) -> list[Part]:
    """The tables of a file with one value a row, channels of the same times together; empty for any other file.

    written: the columns before they were cast: a word among numbers may be another channel's.
    """
    layout = _find_layout(values, headings, found)
    if layout is None:
        return []
    names = values.columns[layout.name]
    assert not isinstance(names, np.ndarray)
    encoded = names.dictionary_encode()
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    labels = encoded.dictionary.to_pylist()
    if len(labels) < 2 or len(labels) > MOST_CHANNELS or len(codes) < LEAST_ROWS * len(labels) or (codes < 0).any():
        return []
    rows_of = [np.flatnonzero(codes == k) for k in range(len(labels))]
    groups: list[tuple[list[Column], list[int]]] = []  # (time fields, channels)
    for k, rows in enumerate(rows_of):
        time = [take(values.columns[i], rows) for i in found.positions]
        same = next((g for g in groups if all(map(same_column, g[0], time))), None)
        if same is None:
            groups.append((time, [k]))
        else:
            same[1].append(k)
    return [
        _part(
            time,
            [(labels[k], rows_of[k]) for k in channels],
            layout,
            values=values,
            written=written[layout.value],
            headings=headings,
            found=found,
            line=line,
        )
        for time, channels in groups
    ]


def _find_layout(values: Values, headings: Sequence[Heading], found: TimeColumns) -> _Layout | None:
    """Where names, values and units stand; None unless every other column is the time or says one thing throughout."""
    rest = [i for i in range(len(headings)) if i not in found.positions]
    words = {i: set(words_of(headings[i].written)) for i in rest}
    texts = [i for i in rest if not isinstance(values.columns[i], np.ndarray) and words[i] & _NAME_WORDS]
    places = [i for i in rest if words[i] & _VALUE_WORDS and i not in texts]
    if len(texts) != 1 or len(places) != 1:
        return None
    units = [i for i in rest if words[i] & _UNIT_WORDS and not isinstance(values.columns[i], np.ndarray)]
    others = [i for i in rest if i not in (texts[0], places[0], *units[:1])]
    if any(len(pc.unique(pa.array(values.columns[i]))) > 1 for i in others):
        return None
    return _Layout(texts[0], places[0], units[0] if units else None)


def _part(
    time: list[Column],
    channels: Sequence[tuple[str, Rows]],
    layout: _Layout,
    *,
    values: Values,
    written: Column,
    headings: Sequence[Heading],
    found: TimeColumns,
    line: Rows,
) -> Part:
    columns, names = list(time), [headings[i] for i in found.positions]
    cells: list[Cells | None] = [None] * len(time)
    for label, rows in channels:
        unit = _unit_of(label, rows, layout, values)
        cell = _cells(written, values.cells[layout.value], rows, has_unit=unit is not None)
        columns.append(take(written, rows) if cell.is_text else cell.values)
        cells.append(cell)
        names.append(Heading(label, unit, label))
    own = TimeColumns(found.kind, tuple(range(len(time))), found.seconds, found.unit, found.because)
    lines = [line[rows] for _, rows in channels]
    return Part(Values(columns, cells), names, own, lines[0], tuple(lines[1:]))


def _cells(column: Column, whole: Cells | None, rows: Rows, *, has_unit: bool) -> Cells:
    """One channel's values; a column of numbers and words is told apart channel by channel."""
    comma = whole is not None and whole.comma
    if isinstance(column, np.ndarray):
        return Cells(column[rows], comma=comma, decimals=whole.decimals if whole is not None else 0)
    return read_cells(column.take(pa.array(rows)), "," if comma else ".", wanted_numeric=has_unit)


def _unit_of(label: str, rows: Rows, layout: _Layout, values: Values) -> str | None:
    """The unit beside the channel's values where it is one throughout, else the one its name carries."""
    if layout.unit is not None:
        column = values.columns[layout.unit]
        stated = pc.unique(column.take(pa.array(rows)).drop_null()).to_pylist()
        if len(stated) == 1:
            return str(stated[0]).strip("[]() ") or None
    return unit_in_name(label)
