"""Phases of flight: ground, taxi, take_off, climb, cruise, descent, approach, the legs of the pattern, roll.

| phase    | when                                                                                   |
|----------|----------------------------------------------------------------------------------------|
| ground   | on the ground, standing, or moving unrecorded                                          |
| taxi     | on the ground, over 1 m/s by the recorded ground speed, outside a roll                 |
| take_off | from the start of the roll to 15 m (50 ft) above where the aircraft left the ground    |
| roll     | from the touchdown to the end of the landing roll (or the next take-off)               |
| overhead, downwind, base, final, flare | the legs of a pattern, see detect/legs                   |
| approach | the descent that leads to a landing or go-around, below 300 m (1000 ft) over the       |
|          | field, where no leg is told                                                            |
| climb    | airborne, rate of climb above 1.0 m/s (left under 0.5)                                 |
| descent  | airborne, rate below -1.0 m/s (left above -0.5)                                        |
| cruise   | airborne, neither                                                                      |

50 ft is the screen height of 14 CFR 23 take-off and landing distances; the other limits are
common practice, no source. Stretches of climb, cruise or descent under 8 s join their neighbour.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Event, Phase, Run, Segment
from ..shared.recording import Floats
from .course import UNKNOWN, make_course
from .flight import HEIGHT_CHANNELS, SPEED_CHANNELS
from .legs import Legs
from .signal import Flags, Grid, close_short, hysteresis, keep_long, runs, runs_of_equal, slope, smooth

SCREEN_M = 15.0
APPROACH_M = 300.0
CLIMB_M_S, LEVEL_M_S = 1.0, 0.5
SHORTEST_S = 8.0
ROLL_M_S = 5.0  # slower than this is taxi
TAXI_M_S = 1.0
SCREEN_WITHIN_S = 60.0

# labels are places in this list
WORDS = (
    UNKNOWN, "ground", "taxi", "take_off", "climb", "cruise", "descent", "approach", "overhead", "downwind", "base",
    "final", "flare", "roll",
)  # fmt: skip
Labels = NDArray[np.int8]


def find_phases(
    grid: Grid, airborne: Flags, go_arounds: tuple[Event, ...] = (), patterns: tuple[Legs, ...] = ()
) -> tuple[Phase, ...]:
    """Phases in time order, covering the grid. patterns: the legs of every approach."""
    if not len(grid):
        return ()
    labels = np.full(len(grid), WORDS.index(UNKNOWN), dtype=np.int8)
    speed_channel, height_channel = grid.first(*SPEED_CHANNELS), grid.first(*HEIGHT_CHANNELS)
    speed = grid.columns[speed_channel] if speed_channel else np.full(len(grid), np.nan)
    if height_channel is not None:
        height = grid.columns[height_channel]
        _label_by_climb(labels, grid, airborne, height)
        _label_approaches(labels, grid, airborne, height, go_arounds)
        for legs in patterns:
            for leg, first, stop in legs.spans():
                labels[first:stop] = WORDS.index(leg)
        _label_take_offs(labels, grid, airborne, height)
    if speed_channel is not None or airborne.any():
        _label_ground(labels, grid, airborne, speed)
    changes = [(float(grid.time_s[first]), WORDS[labels[first]]) for first, _ in runs_of_equal(labels)]
    course = make_course("phase", changes, float(grid.time_s[-1]) + grid.step_s)
    return tuple(Phase(run.segment, run.value) for run in course.runs())


def phase_runs(phases: tuple[Phase, ...]) -> tuple[Run, ...]:
    """The phases as rows of the 'phase' state channel."""
    return tuple(Run("phase", phase.kind, Segment(phase.segment.start_s, phase.segment.stop_s)) for phase in phases)


def _label_by_climb(labels: Labels, grid: Grid, airborne: Flags, height: Floats) -> None:
    climb = slope(smooth(height, grid.samples(2.0)), grid.samples(10.0), grid.step_s)
    flying = airborne & np.isfinite(height)
    words = np.full(len(grid), WORDS.index("cruise"), dtype=np.int8)
    words[hysteresis(climb, LEVEL_M_S, CLIMB_M_S)] = WORDS.index("climb")
    words[hysteresis(-climb, LEVEL_M_S, CLIMB_M_S)] = WORDS.index("descent")
    for first, stop in runs(flying):
        labels[first:stop] = _without_short(words[first:stop], grid.samples(SHORTEST_S))


def _without_short(words: Labels, shortest: int) -> Labels:
    """Short stretches take the word before them (the first one the word after)."""
    out = words.copy()
    stretches = runs_of_equal(out)
    for first, stop in stretches:
        if stop - first < shortest and len(stretches) > 1:
            out[first:stop] = out[first - 1] if first > 0 else out[min(stop, len(out) - 1)]
    return out


def _label_approaches(
    labels: Labels, grid: Grid, airborne: Flags, height: Floats, go_arounds: tuple[Event, ...]
) -> None:
    ends = [int(stop) for _, stop in runs(airborne) if stop < len(airborne)]
    ends += [grid.index(event.time_s) for event in go_arounds]
    for end in ends:
        with np.errstate(invalid="ignore"):
            low = height[:end] < height[min(end, len(height) - 1)] + APPROACH_M
        before = np.flatnonzero(~(airborne[:end] & low & (labels[:end] != WORDS.index("climb"))))
        labels[int(before[-1]) + 1 if len(before) else 0 : end] = WORDS.index("approach")


def _label_take_offs(labels: Labels, grid: Grid, airborne: Flags, height: Floats) -> None:
    reach = grid.samples(SCREEN_WITHIN_S)
    for first, stop in runs(airborne):
        if first > 0:
            with np.errstate(invalid="ignore"):
                above = np.flatnonzero(height[first : first + reach] > height[first] + SCREEN_M)
            labels[first : min(stop, first + (int(above[0]) if len(above) else reach))] = WORDS.index("take_off")


def _label_ground(labels: Labels, grid: Grid, airborne: Flags, speed: Floats) -> None:
    """Standing, taxi and rolls: a roll touches a flight and is faster than taxiing."""
    labels[~airborne & (np.isfinite(speed) | (labels == WORDS.index(UNKNOWN)))] = WORDS.index("ground")
    pace = smooth(grid.numbers("ground_speed"), grid.samples(2.0))
    least = grid.samples(SHORTEST_S)
    with np.errstate(invalid="ignore"):
        labels[~airborne & keep_long(close_short(pace > TAXI_M_S, least), least)] = WORDS.index("taxi")
        rolling = ~airborne & (smooth(speed, grid.samples(1.0)) > ROLL_M_S)
    for first, stop in runs(rolling):
        after_landing = first > 0 and bool(airborne[first - 1])
        before_take_off = stop < len(airborne) and bool(airborne[stop])
        if after_landing and before_take_off:
            lowest = first + int(np.argmin(speed[first:stop]))
            labels[first:lowest], labels[lowest:stop] = WORDS.index("roll"), WORDS.index("take_off")
        elif after_landing:
            labels[first:stop] = WORDS.index("roll")
        elif before_take_off:
            labels[first:stop] = WORDS.index("take_off")
