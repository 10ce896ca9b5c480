"""Time derivative of a recorded channel: a straight line fitted over a few seconds at every sample.

Fitted, never differenced, so that coarse steps of the recorder average out; never across a gap;
isolated spikes left out. Several thousand samples a millisecond: running sums, no loop over rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BLOCK = 8192  # rows summed against one origin: running sums over hours would lose digits
_REMEMBERED = 1 << 20  # rows; of longer recordings the sums of the times would fill the memory
_SPIKE = 8.0  # residuals against the running median, in robust deviations
_FEWEST = 3


Places = tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]


@dataclass(eq=False)
class Windows:
    """The window of every row: samples [first, last) among the known ones, (n,) each, empty inside gaps.

    places: of windows of this half width, as `_search` gives them, no gap considered. sums: of a block's times where all
    its samples are used, by the block's first row.
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    half_s: float = 0.0
    places: Places | None = None
    sums: dict[int, tuple[Floats, ...]] = field(default_factory=dict)


def local_slope(
    time_s: Floats, values: Floats, *, width_s: float, gap_s: float, windows: Windows | None = None
) -> Floats:
    """Least-squares slope of `values` per second around every row, shape (n,); NaN where it cannot be told.

    time_s: never falling, shape (n,). values: shape (n,), NaN missing. The window is width_s wide,
    centred, cut at gaps (steps above gap_s between known samples) and at the ends. windows: what `full_windows`
    gives for these times, width and gap; where no sample is missing these are the channel's own.
    """
    out = np.full(len(time_s), np.nan)
    known = np.isfinite(values) & np.isfinite(time_s)
    if np.count_nonzero(known) < _FEWEST:
        return out
    full = bool(known.all())
    t, y = (time_s, values) if full else (time_s[known], values[known])
    keep = ~_spikes(y)
    where = windows if full and windows is not None else _windows_of(known, t, time_s, (0.5 * width_s, gap_s), windows)
    for start in range(0, len(time_s), _BLOCK):
        out[start : start + _BLOCK] = _fit(t, y, keep, where, start)
    return out


def full_windows(time_s: Floats, *, width_s: float, gap_s: float) -> Windows | None:
    """The windows of every channel without missing samples; None when there are too few rows or a time is missing."""
    if len(time_s) < _FEWEST or not np.isfinite(time_s).all():
        return None
    half_s = _half_of(time_s, 0.5 * width_s)
    places = _search(time_s, time_s, half_s)
    found = _windows(time_s, time_s, places, gap_s)
    if len(time_s) <= _REMEMBERED:
        found.half_s, found.places = half_s, places
    return found


def _windows_of(
    known: NDArray[np.bool_], t: Floats, at: Floats, limits: tuple[float, float], windows: Windows | None
) -> Windows:
    """The windows of a channel with missing samples; where they are as wide as those of all rows nothing is searched."""
    half_s = _half_of(t, limits[0])
    if windows is not None and windows.places is not None and windows.half_s == half_s:
        before = np.concatenate([[0], np.cumsum(known)])  # known samples before every row
        first, second, third = (before[rows] for rows in windows.places)
        return _windows(t, at, (first, second, third), limits[1])
    return _windows(t, at, _search(t, at, half_s), limits[1])


def _half_of(t: Floats, half_s: float) -> float:
    """Half a window's width: at least two steps."""
    return max(half_s, 2.0 * float(np.median(np.diff(t)))) * (1 + 1e-9)


def _search(t: Floats, at: Floats, half_s: float) -> Places:
    """Samples up to each time, before its window, and up to its window's end, counted."""
    return (
        np.searchsorted(t, at, side="right"),
        np.searchsorted(t, at - half_s, side="left"),
        np.searchsorted(t, at + half_s, side="right"),
    )


def _windows(t: Floats, at: Floats, places: Places, gap_s: float) -> Windows:
    """The windows around the times `at` among samples at the times t, cut at gaps."""
    breaks = np.flatnonzero(np.diff(t) > gap_s) + 1
    starts = np.concatenate([[0], breaks])
    stops = np.concatenate([breaks, [len(t)]])
    before = np.clip(places[0] - 1, 0, len(t) - 1)
    run = np.searchsorted(starts, before, side="right") - 1
    first = np.maximum(places[1], starts[run])
    last = np.minimum(places[2], stops[run])
    outside = (at > t[stops[run] - 1]) & (at != t[before]) | (at < t[0])
    last[outside] = first[outside]
    return Windows(first, last)


def _fit(t: Floats, y: Floats, keep: NDArray[np.bool_], windows: Windows, start: int) -> Floats:
    """The slopes of a block of rows."""
    first, last = windows.first[start : start + _BLOCK], windows.last[start : start + _BLOCK]
    low, high = int(first.min()), int(last.max())
    if high <= low:
        return np.full(len(first), np.nan)
    used, y = keep[low:high], y[low:high]
    x = t[low:high] - 0.5 * (t[low] + t[high - 1])
    z = y - float(np.median(y))
    every = bool(used.all())
    if not every:
        x, z = x * used, z * used
    begin, end = first - low, np.maximum(last - low, first - low)

    def window_sum(terms: Floats) -> Floats:
        running = np.empty(len(terms) + 1)
        running[0] = 0.0
        np.cumsum(terms, out=running[1:])
        return np.asarray(running[end] - running[begin])

    known = windows.sums.get(start) if every else None
    n, sx, sxx = known or (window_sum(used.astype(np.float64)), window_sum(x), window_sum(x * x))
    if every and len(windows.first) <= _REMEMBERED:
        windows.sums[start] = (n, sx, sxx)
    sz = window_sum(z)
    spread = n * sxx - sx * sx
    good = (n >= _FEWEST) & (spread > 1e-6 * n * n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(good, (n * window_sum(x * z) - sx * sz) / spread, np.nan)


def _median_of_five(y: Floats) -> Floats:
    """Running median by minima and maxima: several times faster than sorting every five."""
    padded = np.concatenate([y[:1], y[:1], y, y[-1:], y[-1:]])
    out = np.empty(len(y))
    low, high = np.minimum, np.maximum
    for start in range(0, len(y), _BLOCK):
        stop = min(start + _BLOCK, len(y))
        a, b, c, d, e = (padded[start + k : stop + k] for k in range(5))
        between = high(low(a, b), low(d, e)), low(high(a, b), high(d, e))
        out[start:stop] = high(low(c, between[0]), low(high(c, between[0]), between[1]))
    return out


def _spikes(y: Floats) -> NDArray[np.bool_]:
    """Samples that stand out of the running median of five far beyond the channel's own noise."""
    if len(y) < 5:
        return np.zeros(len(y), dtype=bool)
    residual = np.abs(y - _median_of_five(y))
    steps = np.abs(np.diff(y))
    moving = steps[steps > 0]
    usual = 4.0 * float(np.median(moving)) if len(moving) else 0.0
    if not residual.max() > usual:
        return np.zeros(len(y), dtype=bool)
    return np.asarray(residual > max(_SPIKE * 1.4826 * float(np.median(residual)), usual))
