"""The uniform grid every detector works on, and the gap-aware arithmetic on it.

A `Grid` holds the channels detection needs, one sample every `step_s`; what was not recorded is
NaN (words: None) and stays so: nothing here bridges a gap. A recorder faster than the grid is
averaged over each step, so that noise does not fold into slow motion; a slower one is read by a
straight line between neighbours. All helpers are O(n) by cumulative sums.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.frame import Reading, reading_of, sample_column
from ..shared.recording import Column, Floats, Recording, Track
from ..shared.vocabulary import meaning_of
from .channels import DETECTION_CHANNELS, SLOW_CHANNELS
from .spikes import spikeless

Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

GRID_STEP_S = 0.2
REMEMBERED = 1 << 17  # samples: seven hours of the grid


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Channels on uniform times.

    time_s: float64 (n,), seconds since Recording.start_utc, constant step. columns: name -> (n,),
    float64 SI with NaN where nothing was recorded, or object (str or None). digits: the last digit a recorder wrote
    of a channel, SI, where known; rows_s: seconds from one of its rows to the next.
    """

    step_s: float
    time_s: Floats
    columns: Mapping[str, NDArray[Any]]
    digits: Mapping[str, float] = field(default_factory=dict)
    rows_s: Mapping[str, float] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.time_s)

    def numbers(self, name: str) -> Floats:
        """A numeric channel; all NaN when the grid has none of that name."""
        values = self.columns.get(name)
        if values is None or values.dtype == object:
            return np.full(len(self.time_s), np.nan)
        return values

    def first(self, *names: str) -> str | None:
        """The first of the channels that has any sample, None when none has."""
        for name in names:
            values = self.columns.get(name)
            if values is not None and values.dtype != object and np.isfinite(values).any():
                return name
        return None

    def digit(self, name: str | None) -> float:
        """The last digit a recorder wrote of the channel, SI; 0 where that is not known."""
        return self.digits.get(name or "", 0.0)

    def samples(self, seconds: float) -> int:
        """A time as a number of grid steps, at least one."""
        return max(1, round(seconds / self.step_s))

    def index(self, time_s: float) -> int:
        """The grid index nearest to a time, inside the grid."""
        if not len(self.time_s):
            return 0
        return min(max(round((time_s - float(self.time_s[0])) / self.step_s), 0), len(self.time_s) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Which uniform time each of a track's rows belongs to.

    inside: the rows that belong to any, m of them; cell: that time's place, (m,); count: rows of every uniform time;
    reading: of the times without a row.
    """

    inside: slice | Flags
    cell: Indices
    count: Indices
    reading: Reading


Shared = Cells | Reading


def make_grid(recording: Recording, step_s: float = GRID_STEP_S, channels: Iterable[str] = DETECTION_CHANNELS) -> Grid:
    """The recording's detection channels on a uniform clock spanning its main track.

    Each channel comes from the recorder that holds it (the main one first), read at that
    recorder's own rate.
    """
    main = recording.track(recording.main)
    if not len(main.time_s):
        return Grid(step_s, np.empty(0), {})
    first, last = float(main.time_s[0]), float(main.time_s[-1])
    time_s: Floats = first + step_s * np.arange(int(np.floor((last - first) / step_s)) + 1, dtype=np.float64)
    columns, digits, rows_s, shared = {}, dict[str, float](), dict[str, float](), dict[str, Shared]()
    for name in channels:
        holders = recording.holders(name)
        if holders:
            track = holders[0]
            if track.name not in shared:
                shared[track.name] = _shared(track, time_s, step_s)
            columns[name] = grid_column(track, name, time_s, step_s, shared=shared[track.name])
            digits[name], rows_s[name] = track.columns[name].step or 0.0, track.median_step_s
    return Grid(step_s, time_s, columns, digits, rows_s)


def grid_column(
    track: Track, name: str, time_s: Floats, step_s: float, *, shared: Shared | None = None
) -> NDArray[Any]:
    """One channel of a track on uniform times: averaged when the track is faster, else read.

    shared: what `_shared` gives for the track, where several channels share it.
    """
    column = track.columns[name]
    if name in SLOW_CHANNELS and not column.is_text:
        column = replace(column, values=spikeless(track, name))
    entry = meaning_of(name)
    held = column.is_text or (entry is not None and entry.reduction == "last")
    shared = shared or _shared(track, time_s, step_s)
    if held or not isinstance(shared, Cells):
        reading = None if isinstance(shared, Cells) else shared
        return sample_column(track, name, time_s, column=column, reading=reading)
    circular = entry is not None and entry.reduction == "circular"
    return _average(track, column, time_s, shared, circular=circular)


def _shared(track: Track, time_s: Floats, step_s: float) -> Shared:
    """What all channels of a track have in common on uniform times: cells of a faster one, the reading of a slower."""
    if track.median_step_s > 0.75 * step_s:
        return reading_of(track, time_s)
    cell = np.floor((track.time_s - time_s[0]) / step_s + 0.5).astype(np.int64)
    flags = (cell >= 0) & (cell < len(time_s))
    stretches = runs(flags)
    inside = slice(*stretches[0].tolist()) if len(stretches) == 1 else flags
    count = np.bincount(cell[inside], minlength=len(time_s))
    return Cells(inside, cell[inside], count, reading_of(track, time_s[count == 0]))


def _average(track: Track, column: Column, time_s: Floats, cells: Cells, *, circular: bool) -> Floats:
    values = column.values
    turn = 360.0 if column.unit == "deg" else 2 * np.pi
    if circular:
        values = unwrap(values, turn)
    values, cell, count = values[cells.inside], cells.cell, cells.count
    known, reading = np.isfinite(values), None
    if known.all():
        reading = cells.reading
    else:
        cell, values = cell[known], values[known]
        count = np.bincount(cell, minlength=len(time_s))
    total = np.bincount(cell, weights=values, minlength=len(time_s))
    with np.errstate(invalid="ignore"):
        out: Floats = total / count
    if circular:
        out = out % turn
    empty = count == 0
    if empty.any():  # a hole shorter than a gap: read it from its neighbours
        out[empty] = sample_column(track, column.name, time_s[empty], column=column, reading=reading)
    return out


def joined(a: Floats, b: Floats) -> Floats:
    """The first array, its missing samples filled from the second."""
    return np.where(np.isfinite(a), a, b)


def windowed_sums(values: Floats, width: int) -> tuple[Floats, Indices]:
    """Sum and count of the finite samples in the centred window around every sample.

    width: samples, made odd. Windows are cut at both ends of the array.
    """
    finite = np.isfinite(values)
    if finite.all():
        return _windowed(values, width), _window_lengths(len(values), width)
    return _windowed(np.where(finite, values, 0.0), width), _windowed(finite.astype(np.int64), width)


def _windowed(values: NDArray[Any], width: int) -> NDArray[Any]:
    """Sum of the centred window around every sample, cut at both ends."""
    half, n = width // 2, len(values)
    total = np.zeros(n + 2 * half + 1, dtype=values.dtype)
    np.cumsum(values, out=total[half + 1 : half + 1 + n])
    total[half + 1 + n :] = total[half + n]
    return np.asarray(total[2 * half + 1 :] - total[:n])


def _window_lengths(n: int, width: int) -> Indices:
    half, place = width // 2, np.arange(n)
    return np.minimum(place + half + 1, n) - np.maximum(place - half, 0)


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """What all centred windows over n samples without a hole have in common, (n,) each.

    place: of the samples about the middle one. count: samples in the window. first: sum of their places; spread: of the
    squares of these about their mean, times the count. enough: whether a line can be laid through the window.
    """

    place: Floats
    count: Indices
    first: Floats
    spread: Floats
    enough: bool


def _windows_of(n: int, width: int) -> _Windows:
    """The same is asked of every channel: of a usual flight it is remembered, a long one's arrays take too much room."""
    return _remembered_windows(n, width) if n <= REMEMBERED else _make_windows(n, width)


def _make_windows(n: int, width: int) -> _Windows:
    place = np.arange(n, dtype=np.float64) - n / 2
    count = _window_lengths(n, width)
    first, squares = _place_sums(place, np.ones(n, dtype=bool), count, width)
    spread = squares * count - first * first
    return _Windows(place, count, first, spread, bool(((count >= max(2, width // 2)) & (spread > 0)).all()))


_remembered_windows = lru_cache(maxsize=12)(_make_windows)


def smooth(values: Floats, width: int) -> Floats:
    """Centred moving mean over `width` samples; NaN where the sample itself is missing."""
    if width <= 1 or not len(values):
        return values.copy()
    known = np.isfinite(values)
    if known.all():
        offset = float(values.mean())
        return np.asarray(_windowed(values - offset, width) / _windows_of(len(values), width).count + offset)
    offset = _offset(values, known)
    total, count = windowed_sums(values - offset, width)
    out = np.full(len(values), np.nan)
    out[known] = total[known] / count[known] + offset
    return out


def slope(values: Floats, width: int, step_s: float) -> Floats:
    """Least-squares straight-line slope per second in the centred window of every sample.

    Missing samples are left out; NaN where the sample itself or more than half its window is.
    """
    n = len(values)
    if n < 2:
        return np.full(n, np.nan)
    known = np.isfinite(values)
    if known.all():
        windows = _windows_of(n, width)
        if windows.enough:
            centred = values - float(values.mean())
            cross = _windowed(centred * windows.place, width) * windows.count
            return np.asarray((cross - windows.first * _windowed(centred, width)) / windows.spread / step_s)
    return _slope_with_holes(values, known, width, step_s)


def _slope_with_holes(values: Floats, known: Flags, width: int, step_s: float) -> Floats:
    n = len(values)
    place = np.arange(n, dtype=np.float64) - n / 2
    centred = values - _offset(values, known)
    sum_y, count = windowed_sums(centred, width)
    sum_ty, _ = windowed_sums(centred * place, width)
    sum_t, sum_tt = _place_sums(place, known, count, width)
    spread = sum_tt * count - sum_t * sum_t
    good = known & (count >= max(2, width // 2)) & (spread > 0)
    out = np.full(n, np.nan)
    out[good] = (sum_ty[good] * count[good] - sum_t[good] * sum_y[good]) / spread[good] / step_s
    return out


def _place_sums(place: Floats, known: Flags, count: Indices, width: int) -> tuple[Floats, Floats]:
    """Sums of the places of the known samples in every window, and of their squares; half numbers, so exact."""
    if not known.all():
        return _windowed(np.where(known, place, 0.0), width), _windowed(np.where(known, place * place, 0.0), width)
    half, n = width // 2, len(place)
    low = np.maximum(np.arange(n) - half, 0)
    middle = low + (count - 1) / 2 - n / 2
    return middle * count, middle * middle * count + (count**3 - count) / 12


def deviation(values: Floats, width: int) -> Floats:
    """Standard deviation in the centred window of every sample; NaN where the sample is missing."""
    known = np.isfinite(values)
    centred = values - _offset(values, known)
    total, count = windowed_sums(centred, width)
    squares, _ = windowed_sums(centred * centred, width)
    if known.all():
        mean = total / count
        return np.sqrt(np.maximum(squares / count - mean * mean, 0.0))
    out = np.full(len(values), np.nan)
    mean = total[known] / count[known]
    out[known] = np.sqrt(np.maximum(squares[known] / count[known] - mean * mean, 0.0))
    return out


def _offset(values: Floats, known: Flags) -> float:
    finite = values[known]
    return float(finite.mean()) if len(finite) else 0.0


def unwrap(angle: Floats, turn: float = 2 * np.pi) -> Floats:
    """Angle without jumps of a whole turn; gaps stay gaps and do not break what follows."""
    known = np.isfinite(angle)
    if known.all():
        return _without_jumps(angle, turn)
    out = angle.copy()
    out[known] = _without_jumps(angle[known], turn)
    return out


def _without_jumps(angle: Floats, turn: float) -> Floats:
    """As numpy.unwrap, which sums over all samples where there are but a few jumps."""
    change = np.diff(angle)
    jumps = np.flatnonzero(np.abs(change) >= turn / 2)
    shorter = np.mod(change[jumps] + turn / 2, turn) - turn / 2
    shorter[(shorter == -turn / 2) & (change[jumps] > 0)] = turn / 2
    out = np.array(angle, dtype=np.float64)
    if len(jumps):
        turned = np.cumsum(shorter - change[jumps])
        out[jumps[0] + 1 :] += np.repeat(turned, np.diff(jumps, append=len(change)))
    return out


def sliding_minimum(values: Floats, width: int) -> Floats:
    """Minimum of every window of `width` values, by doubling: shape (n - width + 1,)."""
    out, have = values, 1
    while 2 * have <= width:
        out = np.minimum(out[:-have], out[have:])
        have *= 2
    rest = width - have
    return np.minimum(out[: len(out) - rest], out[rest:]) if rest else out


def runs(flags: Flags) -> Indices:
    """Stretches where the flag is true: int64 (k, 2), first index and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return edges.reshape(-1, 2).astype(np.int64)


def runs_of_equal(labels: NDArray[Any]) -> Indices:
    """Stretches of one and the same label: int64 (k, 2), covering the whole array."""
    if not len(labels):
        return np.empty((0, 2), np.int64)
    cuts = np.flatnonzero(labels[1:] != labels[:-1]) + 1
    return np.stack((np.concatenate(([0], cuts)), np.concatenate((cuts, [len(labels)]))), axis=1).astype(np.int64)


def hysteresis(values: Floats, low: float, high: float, *, start: bool = False) -> Flags:
    """True from where the values rise above `high` until they fall below `low`.

    Missing samples keep the state before them. `start`: the state before the first crossing.
    """
    with np.errstate(invalid="ignore"):
        above, told = values > high, np.flatnonzero((values > high) | (values < low))
    if not len(told):
        return np.full(len(values), start)
    state = above[told]
    turns = np.concatenate(([0], np.flatnonzero(state[1:] != state[:-1]) + 1))
    edges = np.concatenate(([0], told[turns], [len(values)]))
    return np.repeat(np.concatenate(([start], state[turns])), np.diff(edges))


def keep_long(flags: Flags, minimum: int) -> Flags:
    """The flags without true stretches shorter than `minimum` samples."""
    out = flags.copy()
    stretches = runs(flags)
    for first, stop in stretches[stretches[:, 1] - stretches[:, 0] < minimum].tolist():
        out[first:stop] = False
    return out


def close_short(flags: Flags, maximum: int) -> Flags:
    """The flags with false stretches of at most `maximum` samples between true ones filled."""
    out = flags.copy()
    holes = runs(~flags)
    inner = (holes[:, 0] > 0) & (holes[:, 1] < len(flags))
    for first, stop in holes[inner & (holes[:, 1] - holes[:, 0] <= maximum)].tolist():
        out[first:stop] = True
    return out
