"""Averages stamped at the end of their period, put to its middle.

A slow recorder may write the mean of the period that ends at the stamp. Where a faster recorder
holds the same channel, the means of its samples over that period fit and its samples at the stamp
do not. A clock error would show as well; it is left to the comparison of clocks unless the means
fit at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Floats, Track
from .compare import SHARED
from .series import POSITION, Signal, channel_signal

TIMES_SLOWER = 4.0
LEAST_PERIODS = 4
SHORTEST_S = 4.0  # half of a shorter period is what clocks are wrong by every day
FITS_BETTER = 0.2  # the means must leave less than this share of what the samples at the stamp leave


@dataclass(frozen=True, slots=True)
class _Fit:
    """What the means of one period leave, what the samples at the stamps leave, and the lag meant."""

    mean_misfit: float
    instant_misfit: float
    lag_s: float


def centre_periods(tracks: Sequence[Track]) -> tuple[list[Track], list[Finding]]:
    """Tracks whose values are period means moved to the middle of the period, one finding for each."""
    out, findings = [], []
    for track in tracks:
        found = _find_lag(track, tracks)
        if found is None:
            out.append(track)
            continue
        channel, lag_s = found
        period_s = track.median_step_s
        where = track.sources[0].file if track.sources else track.name
        text = f"{track.name}: {channel.replace('_', ' ')} is the mean of the {period_s:g} s that end at the stamp; times moved back by {lag_s:g} s"
        facts = {"track": track.name, "period_s": period_s, "lag_s": lag_s}
        findings.append(Finding("PERIOD_END_STAMP", text, "note", where, facts=facts))
        out.append(replace(track, time_s=track.time_s - lag_s))
    return out, findings


def _find_lag(track: Track, tracks: Sequence[Track]) -> tuple[str, float] | None:
    for shared in SHARED:
        if shared.channels == (POSITION,):
            continue
        for name in shared.channels:
            for other in tracks:
                if other is track or name not in track.columns or name not in other.columns:
                    continue
                if track.median_step_s < max(TIMES_SLOWER * other.median_step_s, SHORTEST_S):
                    continue
                slow, fast = channel_signal(track, name), channel_signal(other, name)
                if slow is None or fast is None or slow.turn or slow.held:
                    continue
                fit = _fit(slow, fast)
                if fit is not None and fit.mean_misfit < FITS_BETTER * fit.instant_misfit:
                    return name, fit.lag_s
    return None


def _fit(slow: Signal, fast: Signal) -> _Fit | None:
    """The better of the two conventions: period without or with the sample at its end."""
    period_s, step_s = slow.step_s, fast.step_s
    instant = fast.at(slow.time_s)[:, 0]
    fits = []
    for side, lag_s in (("left", 0.5 * (period_s + step_s)), ("right", 0.5 * (period_s - step_s))):
        means = _means(fast, slow.time_s, period_s, side)
        good = np.isfinite(means) & np.isfinite(instant)
        if good.sum() < LEAST_PERIODS:
            continue
        shown = slow.values[good, 0]
        fits.append(_Fit(_rms(shown - means[good]), _rms(shown - instant[good]), lag_s))
    return min(fits, key=lambda f: f.mean_misfit, default=None)


def _means(fast: Signal, stops: Floats, period_s: float, side: str) -> Floats:
    """Mean of the fast samples over [stop - period, stop) (left) or (stop - period, stop] (right); NaN over gaps."""
    total = np.concatenate([[0.0], np.cumsum(fast.values[:, 0])])
    hair = -1e-6 if side == "left" else 1e-6
    first = np.searchsorted(fast.time_s, stops - period_s + hair)
    last = np.searchsorted(fast.time_s, stops + hair)
    count = last - first
    whole = count >= 0.9 * period_s / fast.step_s
    return np.where(whole, (total[last] - total[first]) / np.maximum(count, 1), np.nan)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))
