"""Pairs of columns: every channel, or group of channels, has a time column of its own in front of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow.compute as pc

from .headers import Heading
from .parts import Part, Rows, same_column, take, take_cells
from .timecolumns import TIME_WORDS, Column, TimeColumns, find_time, words_of
from .values import Values

_UNNUMBERED = frozenset("column field s ms sec seconds of".split())  # noqa: SIM905


def find_pairs(values: Values, headings: Sequence[Heading], line: Rows) -> list[Part]:
    """The tables of a file of pairs; empty where one time stands for the whole row.

    A second time column counts as another channel's own where it is named like the first ('Time', 'Time') or after the
    column behind it ('t_rpm', 'rpm'), and its fields are not the first one's.
    """
    starts = _time_places(headings)
    if len(starts) < 2 or starts[0] != 0:
        return []
    groups = [tuple(range(a, b)) for a, b in zip(starts, [*starts[1:], len(headings)], strict=True)]
    if any(len(group) < 2 for group in groups) or not _belong_together(groups, headings):
        return []
    merged: list[list[int]] = []
    for group in groups:
        same = next((m for m in merged if same_column(values.columns[m[0]], values.columns[group[0]])), None)
        if same is None:
            merged.append(list(group))
        else:
            same += group[1:]
    if len(merged) < 2:
        return []
    parts = [_part(group, values, headings, line) for group in merged]
    return [] if any(part is None for part in parts) else [part for part in parts if part is not None]


def _time_places(headings: Sequence[Heading]) -> list[int]:
    return [i for i, heading in enumerate(headings) if set(words_of(heading.written)) & TIME_WORDS]


def _belong_together(groups: Sequence[tuple[int, ...]], headings: Sequence[Heading]) -> bool:
    bare = [_bare_name(headings[group[0]]) for group in groups]
    if len(set(bare)) == 1:
        return True
    return all(_own_words(headings[g[0]]) and _own_words(headings[g[0]]) <= _own_words(headings[g[1]]) for g in groups)


def _bare_name(heading: Heading) -> tuple[str, ...]:
    """A time column's words without what makes repeated names differ: 'Time.1' and 'Time (2)' are 'Time'."""
    return tuple(word for word in words_of(heading.written) if not word.isdecimal())


def _own_words(heading: Heading) -> set[str]:
    return set(words_of(heading.written)) - TIME_WORDS - _UNNUMBERED


def _part(group: Sequence[int], values: Values, headings: Sequence[Heading], line: Rows) -> Part | None:
    rows = np.flatnonzero(_filled(values.columns[group[0]]))
    columns = [take(values.columns[i], rows) for i in group]
    names = [headings[i] for i in group]
    found = find_time(columns[:1], names[:1])
    if found is None or not len(rows):
        return None
    cells = [take_cells(values.cells[i], rows) for i in group]
    own = TimeColumns(
        found.kind, (0,), found.seconds, found.unit, f"{names[0].header} is the time of the columns behind it"
    )
    return Part(Values(columns, cells), names, own, line[rows])


def _filled(column: Column) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    if isinstance(column, np.ndarray):
        return np.asarray(np.isfinite(column))
    return np.asarray(pc.is_valid(column).to_numpy(zero_copy_only=False), dtype=np.bool_)
