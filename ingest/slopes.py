"""Time derivative of a recorded channel: a straight line fitted over a few seconds at every sample.

Fitted, never differenced, so that coarse steps of the recorder average out; never across a gap;
isolated spikes left out. Several thousand samples a millisecond: running sums, no loop over rows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_BLOCK = 8192  # rows summed against one origin: running sums over hours would lose digits
_SPIKE = 8.0  # residuals against the running median, in robust deviations
_FEWEST = 3


Windows = tuple[NDArray[np.intp], NDArray[np.intp]]


def local_slope(
    time_s: Floats, values: Floats, *, width_s: float, gap_s: float, windows: Windows | None = None
) -> Floats:
    """Least-squares slope of `values` per second around every row, shape (n,); NaN where it cannot be told.

    time_s: never falling, shape (n,). values: shape (n,), NaN missing. The window is width_s wide,
    centred, cut at gaps (steps above gap_s between known samples) and at the ends. windows: what `full_windows`
    gives for these times, width and gap; used where no sample is missing.
    """
    out = np.full(len(time_s), np.nan)
    known = np.flatnonzero(np.isfinite(values) & np.isfinite(time_s))
    if len(known) < _FEWEST:
        return out
    full = len(known) == len(time_s)
    t, y = (time_s, values) if full else (time_s[known], values[known])
    keep = ~_spikes(y)
    first, last = windows if full and windows is not None else _windows(t, time_s, 0.5 * width_s, gap_s)
    for start in range(0, len(time_s), _BLOCK):
        rows = slice(start, start + _BLOCK)
        out[rows] = _fit(t, y, keep, first[rows], last[rows])
    return out


def full_windows(time_s: Floats, *, width_s: float, gap_s: float) -> Windows | None:
    """The windows of every channel without missing samples; None when there are too few rows or a time is missing."""
    if len(time_s) < _FEWEST or not np.isfinite(time_s).all():
        return None
    return _windows(time_s, time_s, 0.5 * width_s, gap_s)


def _windows(t: Floats, at: Floats, half_s: float, gap_s: float) -> Windows:
    """[first, last) known samples of the window around every row; empty inside gaps."""
    breaks = np.flatnonzero(np.diff(t) > gap_s) + 1
    starts = np.concatenate([[0], breaks])
    stops = np.concatenate([breaks, [len(t)]])
    before = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 1)
    run = np.searchsorted(starts, before, side="right") - 1
    half = max(half_s, 2.0 * float(np.median(np.diff(t)))) * (1 + 1e-9)
    first = np.maximum(np.searchsorted(t, at - half, side="left"), starts[run])
    last = np.minimum(np.searchsorted(t, at + half, side="right"), stops[run])
    outside = (at > t[stops[run] - 1]) & (at != t[before]) | (at < t[0])
    last[outside] = first[outside]
    return first, last


def _fit(t: Floats, y: Floats, keep: NDArray[np.bool_], first: NDArray[np.intp], last: NDArray[np.intp]) -> Floats:
    low, high = int(first.min()), int(last.max())
    if high <= low:
        return np.full(len(first), np.nan)
    used = keep[low:high].astype(np.float64)
    x = (t[low:high] - 0.5 * (t[low] + t[high - 1])) * used
    z = (y[low:high] - float(np.median(y[low:high]))) * used
    begin, end = first - low, np.maximum(last - low, first - low)

    def window_sum(terms: Floats) -> Floats:
        running = np.concatenate([[0.0], np.cumsum(terms)])
        return np.asarray(running[end] - running[begin])

    n, sx, sz = window_sum(used), window_sum(x), window_sum(z)
    spread = n * window_sum(x * x) - sx * sx
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
    usual = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    return np.asarray(residual > max(_SPIKE * 1.4826 * float(np.median(residual)), 4.0 * usual))
