"""Plain figures of samples with holes: NaN, not a warning, where there is no sample at all."""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats, Track


def median_of(values: Floats) -> float:
    """Median of the finite samples, NaN without any."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


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


def own_clock(track: Track, least_step_s: float) -> tuple[Floats, float]:
    """Uniform times spanning a track at its own rate, and their step in seconds (no finer than asked)."""
    step_s = max(least_step_s, track.median_step_s) if len(track.time_s) > 1 else 1.0
    count = int((track.time_s[-1] - track.time_s[0]) / step_s + 0.5) + 1
    return track.time_s[0] + step_s * np.arange(count, dtype=np.float64), step_s
