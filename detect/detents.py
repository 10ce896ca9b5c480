"""Where a lever-driven surface rests, and when it travels: detents from a noisy position.

The position rests where its slope is no more than noise; rests close together are one detent
(play, creep and blow-back move a rest by a few per cent of the travel, no detent is that near to
another); what leads from one detent to another is travel. A travel's ends are where the straight
line through its middle meets the two rests, so neither noise nor a soft start shifts them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.recording import Floats
from .robust import largest, median_of, noise_of, smallest
from .signal import close_short, runs, slope

# shares of full travel; common practice, no source: light-aircraft flaps take 3 to 20 s for their
# travel (5 to 30 % a second) and stand at detents 15 % or more apart
SLOWEST_TRAVEL_PER_S = 0.015
SAME_DETENT = 0.05
LEAST_TRAVEL = 0.06
LONGEST_WINDOW_S = 6.0
SHORTEST_WINDOW_S = 1.0
SHORTEST_REST_S = 2.0


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch of standing still: [start_s, stop_s), its median level, the detent it belongs to."""

    start_s: float
    stop_s: float
    level: float
    detent: int


@dataclass(frozen=True, slots=True, eq=False)
class Detents:
    """Rests in time order and the level of every detent, rising. tolerance: half width of a detent."""

    rests: tuple[Rest, ...]
    levels: tuple[float, ...]
    tolerance: float


def _window(noise: float, full: float, step_s: float) -> int:
    """Samples of the slope window: short, but long enough that noise stays under the slowest travel."""
    width = max(3, round(SHORTEST_WINDOW_S / step_s)) | 1
    longest = max(5, round(LONGEST_WINDOW_S / step_s)) | 1
    while width < longest and 4.0 * _slope_noise(noise, width, step_s) > SLOWEST_TRAVEL_PER_S * full:
        width += 2
    return width


def _slope_noise(noise: float, width: int, step_s: float) -> float:
    return float(noise / (step_s * np.sqrt(width * (width * width - 1) / 12.0)))


def find_detents(time_s: Floats, values: Floats, full: float) -> Detents:
    """Rests and detents of a position on a uniform clock (n,), NaN where missing.

    full: the whole travel in the position's unit.
    """
    known = np.isfinite(values)
    if len(time_s) < 2 or not known.any():
        return Detents((), (), SAME_DETENT * full)
    step_s = float(time_s[1] - time_s[0])
    noise = noise_of(values)
    tolerance = max(SAME_DETENT * full, 3.0 * noise)
    width = _window(noise, full, step_s)
    limit = max(SLOWEST_TRAVEL_PER_S * full, 4.0 * _slope_noise(noise, width, step_s))
    with np.errstate(invalid="ignore"):
        moving = np.abs(slope(values, width, step_s)) > limit
    moving = close_short(moving & known, max(1, round(SHORTEST_REST_S / step_s) - width))
    stretches = _stretches(known, _real_travels(values, moving, full, noise))
    levels = np.array([_level(values[a:b], width) for a, b in stretches])
    lengths = np.array([b - a for a, b in stretches]) * step_s
    keep = lengths >= SHORTEST_REST_S if (lengths >= SHORTEST_REST_S).any() else np.ones(len(lengths), bool)
    detent, centres = _cluster(levels[keep], lengths[keep], tolerance)
    rests = [
        Rest(float(time_s[a]), float(time_s[b - 1]) + step_s, float(level), int(which))
        for (a, b), level, which in zip(np.array(stretches)[keep], levels[keep], detent, strict=True)
    ]
    return Detents(tuple(rests), tuple(float(c) for c in centres), tolerance)


def missing_between(time_s: Floats, values: Floats, *, before: Rest, after: Rest) -> bool:
    """Whether samples are missing between two rests."""
    low, high = np.searchsorted(time_s, (before.stop_s - 1e-9, after.start_s))
    return bool(np.isnan(values[low:high]).any())


def with_turns(time_s: Floats, values: Floats, *, detents: Detents, full: float) -> tuple[Rest, ...]:
    """The rests, with a rest of no length where a travel turned back beyond both its ends.

    Such a turn's detent is the one it reached, or -1 between detents.
    """
    out: list[Rest] = []
    for rest in detents.rests:
        turn = _turn(time_s, values, out[-1], rest, LEAST_TRAVEL * full) if out else None
        if turn is not None:
            near = [k for k, level in enumerate(detents.levels) if abs(level - turn.level) <= detents.tolerance]
            out.append(Rest(turn.start_s, turn.stop_s, turn.level, near[0] if near else -1))
        out.append(rest)
    return tuple(out)


def _turn(time_s: Floats, values: Floats, before: Rest, after: Rest, beyond: float) -> Rest | None:
    first, stop = np.searchsorted(time_s, (before.stop_s, after.start_s))
    inside = first + np.flatnonzero(np.isfinite(values[first:stop]))
    if not len(inside):
        return None
    low, high = sorted((before.level, after.level))
    lowest, highest = inside[np.argmin(values[inside])], inside[np.argmax(values[inside])]
    for k, excess in ((lowest, low - values[lowest]), (highest, values[highest] - high)):
        if excess > beyond:
            return Rest(float(time_s[k]), float(time_s[k]), float(values[k]), -1)
    return None


def _real_travels(values: Floats, moving: np.ndarray, full: float, noise: float) -> np.ndarray:
    """The moving flags without stretches that lead nowhere: creep and noise."""
    out = moving.copy()
    for first, stop in runs(moving):
        inside = values[first:stop]
        if largest(inside) - smallest(inside) < max(LEAST_TRAVEL * full, 4.0 * noise):
            out[first:stop] = False
    return out


def _stretches(known: np.ndarray, moving: np.ndarray) -> list[tuple[int, int]]:
    return [(int(a), int(b)) for a, b in runs(known & ~moving)]


def _level(values: Floats, width: int) -> float:
    """Median of a rest, its ends left out where it is long: the slope window blurs them."""
    trim = width // 2
    core = values[trim : len(values) - trim] if len(values) > 4 * trim + 2 else values
    return median_of(core)


def _cluster(levels: Floats, weights: Floats, tolerance: float) -> tuple[np.ndarray, Floats]:
    """Detent number of each rest and the detents' levels: rests nearer than the tolerance join."""
    order = np.argsort(levels, kind="stable")
    jumps = np.concatenate(([False], np.diff(levels[order]) > tolerance))
    detent = np.empty(len(levels), np.int64)
    detent[order] = np.cumsum(jumps)
    total = np.bincount(detent, weights=weights)
    return detent, np.bincount(detent, weights=weights * levels) / total


def travel_ends(time_s: Floats, values: Floats, *, before: Rest, after: Rest) -> tuple[float, float]:
    """Start and end of the travel between two rests, seconds: the middle's line meets both levels.

    The middle is what lies between 15 and 85 % of the way. Without two samples there, the
    rests' own ends are the answer.
    """
    low, high = np.searchsorted(time_s, before.stop_s - 1.0), np.searchsorted(time_s, after.start_s + 1.0, side="right")
    inside = low + np.flatnonzero(np.isfinite(values[low:high]))
    share = (values[inside] - before.level) / (after.level - before.level)
    times = time_s[inside]
    middle = np.flatnonzero((share > 0.15) & (share < 0.85))
    if len(middle) < 2:
        return before.stop_s, max(after.start_s, before.stop_s)
    a, b = middle[0], middle[-1]
    rate = (share[b] - share[a]) / (times[b] - times[a]) if times[b] > times[a] else 0.0
    if rate <= 0.0:
        return before.stop_s, max(after.start_s, before.stop_s)
    start = times[a] - share[a] / rate
    stop = times[b] + (1.0 - share[b]) / rate
    earliest, latest = before.stop_s - 2.0, after.start_s + 2.0
    return float(np.clip(start, earliest, latest)), float(np.clip(stop, max(start, earliest), latest))
