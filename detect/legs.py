"""The legs of a landing pattern, backwards from where it ended: flare, final, base, downwind, overhead.

Told by the angle between the aircraft's direction and the landing's, so that no runway need be known:

| leg      | from its end backwards                                                                     |
|----------|--------------------------------------------------------------------------------------------|
| flare    | from touchdown back to where the sink was last within 80 % of the approach's own           |
| final    | while the angle stays under 30 degrees and the aircraft goes towards the touchdown point   |
| base     | back to where the angle is 145 degrees, when that is within two and a half minutes         |
| downwind | while the angle stays over 145 degrees                                                     |
| overhead | from where the aircraft passed over the touchdown point in the landing direction (45       |
|          | degrees, within 800 m, 150 m or higher) to downwind: the pass, the turn away. Without      |
|          | power: from the first such pass of the descent, so that every circle belongs to it         |

Angles: common practice, no source (half way between the legs, and wind drift on top).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.recording import Floats
from .motion import Motion
from .robust import median_of
from .runway import Approach, wrapped
from .signal import Flags, close_short, runs, slope

FINAL_RAD, DOWNWIND_RAD = np.radians(30.0), np.radians(145.0)
FINAL_S, BASE_S, DOWNWIND_S, OVERHEAD_S = 300.0, 150.0, 300.0, 400.0
FINAL_M = 450.0  # above the ground a straight approach is called final: 1500 ft, common practice
OVERHEAD_M, OVERHEAD_LEAST_M, PASS_RAD = 800.0, 150.0, np.radians(45.0)
CIRCUIT_M, CIRCUIT_HEIGHT_M = 6000.0, 600.0  # common practice, no source: twice a usual circuit's
GAP_S, IDLE_S = 5.0, 15.0  # a moment of power; the power may be cut a little past the pass
FLARE_M, FLARE_S, FLARE_SHARE, FLARE_ENDS = 30.0, 25.0, 0.8, 0.75
CLIMBING_M_S = 2.0


@dataclass(frozen=True, slots=True)
class Legs:
    """Start index of each leg, None for one that was not flown; each ends where the next begins."""

    overhead: int | None
    downwind: int | None
    base: int | None
    final: int
    flare: int | None
    end: int

    def spans(self) -> list[tuple[str, int, int]]:
        """Leg, first index, one past the last, in order of time."""
        starts = [(n, getattr(self, n)) for n in ("overhead", "downwind", "base", "final", "flare")]
        known = [(n, int(s)) for n, s in starts if s is not None]
        stops = [s for _, s in known[1:]] + [self.end]
        return [(n, s, stop) for (n, s), stop in zip(known, stops, strict=True) if stop > s]


def find_legs(motion: Motion, approach: Approach, distance: Floats, no_power: Flags) -> Legs:
    """The legs of one approach. distance: to the touchdown point over the ground [m], NaN when unknown; no_power:
    where the engine gives none; both (n,)."""
    end, start = approach.end, approach.start
    off = np.full(len(motion.time_s), np.nan)
    off[start : end + 1] = np.abs(wrapped(motion.direction[start : end + 1] - approach.direction))
    final = _final(motion, approach, off)
    base = downwind = overhead = None
    with np.errstate(invalid="ignore"):
        back, far = off > DOWNWIND_RAD, distance > CIRCUIT_M  # False where no position tells
    turned = _last(back, max(start, final - motion.samples(BASE_S)), final)
    if turned is not None and final > start and _in_circuit(motion, approach, far, no_power, turned):
        base = turned + 1
        least = max(start, base - motion.samples(DOWNWIND_S))
        left = _last(~back | far, least, base)
        downwind = least if left is None else left + 1
        passing = (off < PASS_RAD) & (distance < OVERHEAD_M) & (motion.height > approach.ground_m + OVERHEAD_LEAST_M)
        overhead = _overhead(motion, passing, no_power, start, downwind)
    flare = _flare(motion, approach) if approach.kind == "touchdown" else None
    return Legs(overhead, downwind, base, final, flare if flare is None or flare > final else None, end)


def _in_circuit(motion: Motion, approach: Approach, far: Flags, no_power: Flags, index: int) -> bool:
    """Whether a turn from the other direction belongs to the landing: not far off or high up, save without power."""
    low = not motion.height[index] > approach.ground_m + CIRCUIT_HEIGHT_M
    return not far[index] and (low or bool(no_power[index]))


def _overhead(motion: Motion, passing: Flags, no_power: Flags, start: int, downwind: int) -> int | None:
    """First sample of the pass over the field that the pattern began with."""
    least = max(start, downwind - motion.samples(OVERHEAD_S))
    passes = runs(passing[least:downwind]) + least
    if not len(passes):
        return None
    powered = _last(~close_short(no_power, motion.samples(GAP_S)), least, downwind)
    idle = least if powered is None else powered + 1
    in_descent = passes[passes[:, 1] + motion.samples(IDLE_S) > idle]
    return int(in_descent[0, 0] if len(in_descent) else passes[-1, 0])


def _last(flags: Flags, first: int, stop: int) -> int | None:
    """Index of the last true flag in [first, stop)."""
    found = np.flatnonzero(flags[first:stop])
    return first + int(found[-1]) if len(found) else None


def _final(motion: Motion, approach: Approach, off: Floats) -> int:
    least = max(approach.start, approach.end - motion.samples(FINAL_S))
    # the climb of a go-around has begun at its lowest point
    span = slice(least, max(least, approach.end - motion.samples(5.0)))
    with np.errstate(invalid="ignore"):
        astray = ~(off[span] < FINAL_RAD) | (motion.height[span] > approach.ground_m + FINAL_M)
        astray |= motion.climb[span] > CLIMBING_M_S
    before = _last(astray, 0, len(astray))
    return least if before is None else least + before + 1


def _flare(motion: Motion, approach: Approach) -> int | None:
    """Where the sink begins to be arrested for good; None when it is not seen to be."""
    end = approach.end
    first = max(approach.start, end - motion.samples(FLARE_S))
    height = motion.height[first : end + motion.samples(2.0)]
    sink = -slope(height, motion.samples(2.0), motion.step_s)[: end - first + 1]
    usual = median_of(sink[: max(1, end - first - motion.samples(6.0))])
    last = median_of(sink[-motion.samples(1.0) - 1 :])
    if not usual > 0 or not last < FLARE_ENDS * usual:
        return None
    with np.errstate(invalid="ignore"):
        steady = (sink >= FLARE_SHARE * usual) | (height[: len(sink)] > approach.ground_m + FLARE_M)
    before = _last(steady, 0, len(steady) - 1)
    return None if before is None or first + before + 1 >= end else first + before + 1
