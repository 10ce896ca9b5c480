"""Numbers that stand for 'no value' (-9999, 99999, 65535 ...): only where they lie far off all other samples."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SENTINELS = frozenset(
    [sign * (10.0**n - 1) for n in range(4, 10) for sign in (1, -1)]
    + [-999.0, 999.9, -999.9, 9999.9, -9999.9, 99999.9, -99999.9]
    + [32767.0, -32768.0, 65535.0, 2147483647.0, -2147483648.0, 4294967295.0, 1e10, -1e10, 1e38, -1e38]
)
FAR = 0.5  # share of the other samples' whole range
FAR_GAPS = 20.0  # times the largest gap between other samples


def remove_sentinels(values: Floats) -> tuple[Floats, Counter[str]]:
    """The samples with sentinel numbers made NaN, and how many of each there were.

    A candidate counts only when it is the lowest or highest value and lies away from the nearest
    other sample by more than half of their range, or by more than 20 of their largest gaps.
    """
    found: Counter[str] = Counter()
    for _ in range(4):
        low, high = lowest_highest(values)
        gone = next((v for v in (low, high) if v in SENTINELS and _is_far(values, v)), None)
        if gone is None:
            return values, found
        hit = values == gone
        found[f"{gone:g}"] += int(hit.sum())
        values = np.where(hit, np.nan, values)
    return values, found


def lowest_highest(values: Floats) -> tuple[float, float]:
    """Lowest and highest sample that is not missing; NaN when there is none."""
    if not len(values):
        return float("nan"), float("nan")
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if np.isfinite(low) and np.isfinite(high):
        return low, high
    some = values[np.isfinite(values)]
    return (float(some.min()), float(some.max())) if len(some) else (float("nan"), float("nan"))


def _is_far(values: Floats, candidate: float) -> bool:
    """Whether the lowest or highest value lies far from all others."""
    rest = values[np.isfinite(values) & (values != candidate)]
    if not len(rest):
        return bool((values == candidate).sum() > 1)
    low, high = float(rest.min()), float(rest.max())
    distance = min(abs(low - candidate), abs(high - candidate))
    if distance > FAR * max(high - low, 1.0):
        return True
    rest = np.unique(rest)
    widest = float(np.max(np.diff(rest))) if len(rest) > 1 else 0.0
    return len(rest) >= 20 and distance > FAR_GAPS * max(widest, 1e-9)


def find_step(values: Floats, decimals: int) -> float | None:
    """The recorder's resolution in the unit as written: its last decimal, or a coarser common step.

    A coarser step needs eight different values, so that switch positions are not taken for one.
    """
    some = _samples(values)
    some = np.unique(some[np.isfinite(some)])
    if not len(some):
        return None
    scale = 10.0 ** min(decimals, 16)
    if decimals > 15 or float(np.max(np.abs(some))) * scale > 2.0**52:
        return None
    whole = np.rint(some * scale)
    if not bool((np.abs(whole / scale - some) <= 1e-12 + 1e-12 * np.abs(some)).all()):
        return None
    if len(whole) < 8:
        return float(1.0 / scale)
    common = int(np.gcd.reduce(np.diff(whole).astype(np.int64)))
    return max(common, 1) / scale


def _samples(values: Floats) -> Floats:
    """About 2000 samples in ten unbroken stretches: every n-th one would see a ramp's steps n times too large."""
    if len(values) <= 4000:
        return values
    starts = np.linspace(0, len(values) - 200, 10).astype(np.int64)
    return np.concatenate([values[s : s + 200] for s in starts])
