"""Named arrays of a file (HDF5 datasets, MATLAB variables) put together as tables by their length and their time.

Arrays of one group and one length are one table. A group without a time takes the time array of its
length from the group above, or from the only other group that has one.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .array_names import name_matrices
from .array_types import NamedArray, word_of
from .tables import DAY_ZERO, DAYS, TableColumn, TypedTable, as_floats, facts_of
from .text.headers import unit_in_name
from .text.preamble import Facts

WIDEST = 1000  # columns of a matrix; a wider one is an image or a spectrum
_ANONYMOUS = re.compile(r"(?i)(data|values?|samples?|y)")  # says nothing: the group is named after the channel


@dataclass
class _Group:
    """Arrays that make one table."""

    name: str
    length: int
    arrays: list[NamedArray] = field(default_factory=list)

    @property
    def has_time(self) -> bool:
        return any(array.is_time for array in self.arrays)


def tables_of(arrays: Sequence[NamedArray], text: Mapping[str, str]) -> list[TypedTable]:
    """Tables with at least two rows, those with a time array first in the order of the file.

    text: what the file says in words, by path ('engine: start' or 'engine/start'); what stands in the group of another
    table is not asked about this one.
    """
    arrays = [_with_moments(array) for array in name_matrices(arrays)]
    arrays = [_turned(array, arrays) for array in arrays]
    groups: dict[tuple[str, int], _Group] = {}
    for array in arrays:
        length = len(array.values)
        if length >= 2 and (array.values.ndim == 1 or array.values.shape[1] <= WIDEST):
            groups.setdefault((array.group, length), _Group(array.group, length)).arrays.append(array)
    merged = _lend_times(list(groups.values()))
    several = len({group.name for group in merged}) < len(merged)
    said = said_of_tables([group.name for group in merged], text)
    return [_table(group, facts_of(words), with_length=several) for group, (_, words) in zip(merged, said, strict=True)]


def said_of_tables(groups: Sequence[str], text: Mapping[str, str]) -> Iterator[tuple[str, dict[str, str]]]:
    """(group, what is said of it) of every table's group, in their order; see `tables_of`."""
    tops = {group for group in groups if group}
    words = _words_by_table(text, tops)
    for group in groups:
        yield group, _said_of(group, text, words, tops)


def _tops_on(path: str, tops: Set[str]) -> list[str]:
    """The tables a path leads through, the deepest last ('engine' of 'engine/start' and of 'engine: start')."""
    return [path[:end] for end, mark in enumerate(f"{path}/") if mark in "/:" and path[:end] in tops]


def _words_by_table(text: Mapping[str, str], tops: Set[str]) -> dict[str, list[str]]:
    """Paths of the words by the deepest table they lead through, '' for none."""
    out: dict[str, list[str]] = {}
    for path in text:
        out.setdefault("".join(_tops_on(path, tops)[-1:]), []).append(path)
    return out


def _said_of(group: str, text: Mapping[str, str], words: Mapping[str, list[str]], tops: Set[str]) -> dict[str, str]:
    """What is said of a table: of its own group first, then of those above; not what is said of other tables."""
    own = words.get(group, []) if group else []
    above = [words.get(top, []) for top in ("", *_tops_on(group, tops)) if top != group or not group]
    return {path: text[path] for path in (*own, *chain.from_iterable(above))}


def _with_moments(array: NamedArray) -> NamedArray:
    """Rows of year, month, day, hour, minute and second as stamps (MATLAB's date vectors)."""
    values = array.values
    if values.ndim != 2 or values.shape[1] != 6 or values.dtype.kind not in "iuf" or len(values) < 2:
        return array
    low, high = (1970, 1, 1, 0, 0, 0), (2100, 12, 31, 23, 59, 60)
    inside = np.isfinite(values).all() and (values >= low).all() and (values <= high).all()
    if not inside or (values[:, :5] % 1 != 0).any():
        return array
    year, month, day = values[:, :3].astype(np.int64).T
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]").astype("datetime64[D]")
    seconds = values[:, 3] * 3600.0 + values[:, 4] * 60.0 + values[:, 5]
    whole = months.astype("datetime64[us]") + (day - 1).astype("timedelta64[D]")
    return replace(array, values=whole + np.round(seconds * 1e6).astype("timedelta64[us]"), names=(), units=())


def _turned(array: NamedArray, arrays: Sequence[NamedArray]) -> NamedArray:
    """A matrix whose columns, not rows, run along the time: turned."""
    if array.values.ndim != 2 or array.names:
        return array
    times = {len(other.values) for other in arrays if other.is_time}
    rows, columns = array.values.shape
    if columns in times and rows not in times:
        return replace(array, values=array.values.T)
    return array


def _lend_times(groups: list[_Group]) -> list[_Group]:
    """Groups without a time joined to the one whose time fits: same length, a group above first, else the only one."""
    timed = [group for group in groups if group.has_time]
    alone = []
    for group in groups:
        if group.has_time:
            continue
        same = [t for t in timed if t.length == group.length]
        above = [t for t in same if not t.name or group.name == t.name or group.name.startswith(t.name + "/")]
        home = max(above, key=lambda t: len(t.name), default=None) or (same[0] if len(same) == 1 else None)
        if home is None:
            alone.append(group)
        else:
            home.arrays += group.arrays
    return [*timed, *alone]


def _table(group: _Group, facts: Facts, *, with_length: bool) -> TypedTable:
    columns: list[TableColumn] = []
    names = Counter(array.name for array in group.arrays)
    for array in group.arrays:
        columns += _columns(array, with_group=names[array.name] > 1 and array.group != group.name)
    name = group.name or "top"
    return TypedTable(f"{name} ({group.length} rows)" if with_length else name, tuple(columns), facts)


def _columns(array: NamedArray, *, with_group: bool) -> list[TableColumn]:
    name = _short_name(array) if with_group or (array.group and _ANONYMOUS.fullmatch(array.name)) else array.name
    if array.values.ndim == 1:
        return [TableColumn(name, _samples(array), array.unit)]
    out = []
    for k in range(array.values.shape[1]):
        stated = array.names[k] if k < len(array.names) else ""
        title = stated or array.by_column.format(name=name, column=k + array.first)
        unit = array.units[k] if k < len(array.units) else array.unit or (None if stated else unit_in_name(array.name))
        out.append(TableColumn(title, _samples(replace(array, values=array.values[:, k], name=title)), unit))
    return out


def _short_name(array: NamedArray) -> str:
    """The array's name with its group's last part, which often is the channel's name ('IAS/data')."""
    last = array.group.rpartition("/")[2]
    if _ANONYMOUS.fullmatch(array.name) and last:
        return last
    return f"{last} {array.name}" if last else array.name


def _samples(array: NamedArray) -> NDArray[np.float64] | pa.Array:
    """Numbers as float64, words as arrow text, MATLAB's day numbers as stamps."""
    values = array.values
    if values.dtype.kind in "biuf":
        numbers = as_floats(values)
        return _day_stamps(numbers) if array.is_time and _are_day_numbers(numbers) else numbers
    if values.dtype.kind == "M":
        return pa.array(values.astype("datetime64[us]")).cast(pa.string())
    words = [word_of(value) for value in values.tolist()]
    return pa.array(words, pa.string())


def _are_day_numbers(values: NDArray[np.float64]) -> bool:
    good = values[np.isfinite(values)]
    if len(good) < 2 or good.min() < DAYS[0] or good.max() > DAYS[1] or np.ptp(good) >= 40:
        return False
    return bool((good % 1 != 0).mean() > 0.5)


def _day_stamps(values: NDArray[np.float64]) -> pa.Array:
    """Day numbers since year 0 as civil stamps; a double tells them to about ten microseconds."""
    known = np.isfinite(values)
    milliseconds = np.where(known, np.round((values - DAY_ZERO) * 86_400_000.0), 0).astype("datetime64[ms]")
    return pa.array(milliseconds, mask=~known).cast(pa.string())
