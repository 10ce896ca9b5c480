"""A first-order lag seen in a short log: what a channel is behind by grows with its own rate.

For dx/dt = (truth - x) / tau the difference truth - x is tau times the rate of x, whatever is flown.
"""

from __future__ import annotations

import numpy as np

from ...shared.recording import Floats

LEAST_ROWS = 40
EXPLAINS = 0.9  # share of the difference's variance the rate must explain
SIGMAS = 10.0


def first_order_lag(time_s: Floats, shown: Floats, truth: Floats) -> float:
    """Seconds by which `shown` follows `truth`, both shape (n,), SI; 0 when the log does not show one clearly.

    A constant difference and one that grows with the value itself are allowed for.
    """
    rate = np.full(len(shown), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate[1:-1] = (shown[2:] - shown[:-2]) / (time_s[2:] - time_s[:-2])
    return _lag(rate, truth - shown, shown)


def first_order_rate_lag(time_s: Floats, shown: Floats, height: Floats) -> float:
    """The same for a shown rate of `height`, by its integral: nothing is differenced.

    Integrated, the lag's equation says height less the integral of x is a constant and tau times x.
    """
    mean = (shown[1:] + shown[:-1]) / 2 * np.diff(time_s)
    return _lag(shown, height - np.concatenate(([0.0], np.cumsum(mean))), time_s)


def _lag(rate: Floats, behind: Floats, besides: Floats) -> float:
    """Seconds in behind = seconds * rate, where a constant and a share of `besides` may be in it; 0 when not clear."""
    good = np.isfinite(rate) & np.isfinite(behind) & np.isfinite(besides)
    if good.sum() < LEAST_ROWS or float(np.std(rate[good])) == 0:
        return 0.0
    common = np.column_stack([np.ones(int(good.sum())), besides[good] - besides[good].mean()])
    own, rest = _without(rate[good], common), _without(behind[good], common)
    power, whole = float(own @ own), float(rest @ rest)
    if power == 0 or whole == 0:
        return 0.0
    lag_s = float(own @ rest) / power
    left = rest - lag_s * own
    error_s = float(np.sqrt((left @ left) / len(left) / power))
    clear = 1 - float(left @ left) / whole >= EXPLAINS and lag_s >= SIGMAS * error_s
    return lag_s if clear else 0.0


def _without(values: Floats, common: Floats) -> Floats:
    """What a linear fit of the common columns leaves."""
    return np.asarray(values - common @ np.linalg.lstsq(common, values, rcond=None)[0])
