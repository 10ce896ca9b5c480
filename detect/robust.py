"""Plain figures of samples with holes: NaN, not a warning, where there is no sample at all."""

from __future__ import annotations

import numpy as np

from ..shared.on_change import is_on_change, stamp_step_s
from ..shared.recording import Floats, Track

FEW = 400


def median_of(values: Floats) -> float:
    """Median of the finite samples, NaN without any."""
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan")
    half = len(known) // 2
    if (
        len(known) > FEW
    ):  # of a few samples sorting is quicker; either is, than the library's median with all it allows for
        known.partition(half if len(known) % 2 else (half - 1, half))
    else:
        known.sort()
    return float(known[half]) if len(known) % 2 else 0.5 * float(known[half - 1] + known[half])


def medians_along(values: Floats, half: int, fewest: int) -> Floats:
    """Median of the finite samples within `half` before and after each stretch's start, for stretches of `half` samples.

    Shape of values (n,); where fewer than `fewest` are finite the median of the medians, NaN without any.
    """
    number = -(-len(values) // half)
    padded = np.full((number + 2) * half, np.nan)
    padded[half : half + len(values)] = np.where(np.isfinite(values), values, np.nan)
    rows = np.concatenate((padded[:-half].reshape(-1, half), padded[half:].reshape(-1, half)), axis=1)[:number]
    rows.sort(axis=1)  # NaN last
    count = np.isfinite(rows).sum(axis=1)
    place = np.arange(number)
    middle = 0.5 * (rows[place, np.maximum(count - 1, 0) // 2] + rows[place, np.minimum(count // 2, rows.shape[1] - 1)])
    middle[count < fewest] = np.nan
    middle[np.isnan(middle)] = median_of(middle)
    return np.repeat(middle, half)[: len(values)]


def largest(values: Floats) -> float:
    """Largest finite sample, NaN without any."""
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else float("nan")


def smallest(values: Floats) -> float:
    """Smallest finite sample, NaN without any."""
    known = values[np.isfinite(values)]
    return float(known.min()) if len(known) else float("nan")


def share_of(values: Floats, percent: float) -> float:
    """Percentile of the finite samples, NaN without any."""
    known = values[np.isfinite(values)]
    return float(np.percentile(known, percent)) if len(known) else float("nan")


def noise_of(values: Floats) -> float:
    """Standard deviation of the sample-to-sample noise, from the median of differences."""
    return median_of(np.abs(np.diff(values))) * 1.4826 / float(np.sqrt(2.0)) if len(values) > 1 else 0.0


def own_clock(track: Track, least_step_s: float, *, until_s: float | None = None) -> tuple[Floats, float]:
    """Uniform times spanning a track at its own rate, and their step in seconds (no finer than asked).

    until_s: the recording's end; rows on change hold until then.
    """
    step_s = max(least_step_s, track.median_step_s) if len(track.time_s) > 1 else 1.0
    stop_s = float(track.time_s[-1])
    if is_on_change(track):
        step_s, stop_s = max(least_step_s, stamp_step_s(track)), max(stop_s, until_s or stop_s)
    count = int((stop_s - track.time_s[0]) / step_s + 0.5) + 1
    return track.time_s[0] + step_s * np.arange(count, dtype=np.float64), step_s
