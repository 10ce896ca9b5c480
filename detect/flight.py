"""When the aircraft flew: the airborne flag, lift-offs and touchdowns, each with its uncertainty.

With a weight-on-wheels switch the switch answers. Without one: the speed says where the aircraft
must be flying and where it must be on the ground; in between, it is on the ground while its
height stays level at the lowest, and it left or met the ground at the knee of the height, which
the load factor's jolt makes sharper at a touchdown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats, Recording
from .robust import median_of
from .signal import Flags, Grid, close_short, hysteresis, keep_long, runs, slope, smooth
from .switches import Switch, read_switch, samples_of

DETECTOR = "flight/1"
SPEED_CHANNELS = (
    "calibrated_airspeed",
    "indicated_airspeed",
    "true_airspeed",
    "recorded_true_airspeed",
    "ground_speed",
)
HEIGHT_CHANNELS = ("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_unnamed_altitude")
SHORTEST_FLIGHT_S = 3.0  # shorter hops are bounces of one touchdown
MOST_AGAINST = 0.2  # of the flight may the wheels switch contradict speed and height
STEEPER_THAN_GROUND_M_S = 1.2
NEAR_GROUND_M = 15.0
ABOVE_GROUND_M = 2.0
CONTACT_S = 1.0
DIGITS, MOST_ABOVE_M = (
    1.2,
    4.0,
)  # of a coarse height one digit to and fro is still the runway; 25 ft to and fro may not be
SLOWEST_M_S = 1.0  # near the ground: so long a coarse height may keep its digit
FLYING_SHARE = 0.55  # of the usual flying speed: under it nothing flies


@dataclass(frozen=True, slots=True, eq=False)
class Flight:
    """airborne: flag on the grid (n,). events: liftoff and touchdown in time order."""

    airborne: Flags
    events: tuple[Event, ...]
    source: str | None
    findings: tuple[Finding, ...] = ()


def find_flight(grid: Grid, recording: Recording) -> Flight:
    """Airborne flag and ground contacts. With neither switch nor speed nothing is airborne."""
    samples = samples_of(recording, "weight_on_wheels")
    switch = read_switch(samples, settle_s=SHORTEST_FLIGHT_S) if samples is not None else None
    told = _from_speed(grid, recording)
    if switch is None or not switch.edges:
        return told
    switched = _from_switch(grid, switch)
    against = np.count_nonzero(switched.airborne != told.airborne) * grid.step_s
    if told.source is None or against <= MOST_AGAINST * max(np.count_nonzero(told.airborne) * grid.step_s, 60.0):
        return switched
    text = f"the weight-on-wheels switch contradicts speed and height for {against:.0f} s; it was not used"
    return replace(told, findings=(Finding("SWITCHES_DISAGREE", text, "doubt", "weight_on_wheels"),))


def _from_speed(grid: Grid, recording: Recording) -> Flight:
    speed_channel, height_channel = grid.first(*SPEED_CHANNELS), grid.first(*HEIGHT_CHANNELS)
    if speed_channel is None:
        return Flight(np.zeros(len(grid), dtype=bool), (), None)
    fast = _fast(grid.columns[speed_channel], grid)
    if height_channel is None:
        return Flight(fast, _contacts(grid, fast, speed_channel, 3.0), speed_channel)
    airborne = _off_the_ground(grid, _with_slow_flight(grid, fast, grid.columns[height_channel]), height_channel)
    return Flight(
        airborne, _contacts(grid, airborne, height_channel, _doubt_s(grid, recording, height_channel)), height_channel
    )


def _doubt_s(grid: Grid, recording: Recording, height_channel: str) -> float:
    """How far off a ground contact may be that the height tells: a second, its last digit, half the way to the next row."""
    digit_s = grid.digit(height_channel) / SLOWEST_M_S
    return float(np.hypot(max(CONTACT_S, 0.5 * recording.holders(height_channel)[0].median_step_s), digit_s))


def _with_slow_flight(grid: Grid, fast: Flags, height: Floats) -> Flags:
    """The fast flag, with slow stretches between flying that climb or sink as no taxiway does."""
    climb = slope(height, grid.samples(4.0), grid.step_s)
    out = fast.copy()
    with np.errstate(invalid="ignore"):
        moving = np.abs(climb) > STEEPER_THAN_GROUND_M_S
    for first, stop in runs(~fast):
        margin = grid.samples(1.0)
        if first > 0 and stop < len(fast) and moving[first + margin : stop - margin].any():
            out[first:stop] = True
    return out


def _from_switch(grid: Grid, switch: Switch) -> Flight:
    airborne = np.zeros(len(grid), dtype=bool)
    times = [*(e.time_s for e in switch.edges), switch.stop_s]
    state = switch.initial > 0.5
    airborne[(grid.time_s >= switch.start_s) & (grid.time_s < times[0])] = not state
    events = []
    for edge, until in zip(switch.edges, times[1:], strict=True):
        airborne[(grid.time_s >= edge.time_s) & (grid.time_s < until)] = edge.after < 0.5
        kind = "liftoff" if edge.after < 0.5 else "touchdown"
        facts = {"settled_s": edge.settled_s, "changes": edge.changes}
        at, doubt = edge.time_s, edge.uncertainty_s
        events.append(Event(kind, at, at, doubt, switch.channel, edge.before, edge.after, 1.0, DETECTOR, facts))
    return Flight(airborne, tuple(events), switch.channel)


def _fast(speed: Floats, grid: Grid) -> Flags:
    """Where the speed is a flying speed: two thresholds from the sortie's own usual speed."""
    known = speed[np.isfinite(speed)]
    moving = known[known > 0.3 * np.percentile(known, 95)] if len(known) else known
    if not len(moving) or np.percentile(moving, 90) < 8.0:
        return np.zeros(len(speed), dtype=bool)
    usual = float(np.median(moving))
    fast = hysteresis(smooth(speed, grid.samples(1.0)), 0.8 * FLYING_SHARE * usual, FLYING_SHARE * usual)
    return keep_long(close_short(fast, grid.samples(2.0)), grid.samples(SHORTEST_FLIGHT_S))


def _off_the_ground(grid: Grid, fast: Flags, height_channel: str) -> Flags:
    """Fast, and not rolling: a roll is level at the ground's height, near a slow stretch or a dip."""
    calm = smooth(grid.columns[height_channel], grid.samples(1.0))
    climb = slope(calm, grid.samples(2.0), grid.step_s)
    with np.errstate(invalid="ignore"):
        level = np.abs(climb) < 0.6
    airborne = fast.copy()
    above = max(ABOVE_GROUND_M, min(DIGITS * grid.digit(height_channel), MOST_ABOVE_M))
    for first, stop in runs(fast):
        airborne[first : _leaves(calm, level, first, stop, grid=grid, above_m=above)] = False
        airborne[_meets(calm, level, first, stop, grid=grid, above_m=above) : stop] = False
    for first, stop in runs(airborne):
        for a, b in _touch_and_goes(grid, calm, level, first, stop, airborne):
            airborne[a:b] = False
    return keep_long(airborne, grid.samples(SHORTEST_FLIGHT_S))


def _leaves(calm: Floats, level: Flags, first: int, stop: int, *, grid: Grid, above_m: float) -> int:
    """Last index of the take-off roll: the height stays with the ground's until here."""
    if first == 0:
        return 0
    ground = median_of(calm[max(0, first - grid.samples(5.0)) : first + 1])
    reach = min(stop, first + grid.samples(40.0))
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(calm[first:reach] > ground + above_m)
    last = first + int(above[0]) if len(above) else first
    while last > first and not level[last]:
        last -= 1
    return last


def _meets(calm: Floats, level: Flags, first: int, stop: int, *, grid: Grid, above_m: float) -> int:
    """First index of the landing roll."""
    if stop >= len(calm):
        return stop
    ground = median_of(calm[stop - 1 : stop + grid.samples(5.0)])
    back = max(first, stop - grid.samples(60.0))
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(calm[back:stop] > ground + above_m)
    start = back + int(above[-1]) if len(above) else stop
    while start < stop and not level[start]:
        start += 1
    return start


def _touch_and_goes(
    grid: Grid, calm: Floats, level: Flags, first: int, stop: int, airborne: Flags
) -> list[tuple[int, int]]:
    """Level stretches at a height where the aircraft also stood: rolls at flying speed."""
    grounds = calm[~airborne & np.isfinite(calm)]
    if not len(grounds):
        return []
    usual, room = float(np.median(grounds)), grid.samples(20.0)
    stretches = runs(level[first:stop]) + first
    begin, end = stretches.T
    long = ((end - begin) * grid.step_s >= 3.0) & (begin - first >= room) & (stop - end >= room)
    out = []
    for a, b in stretches[long].tolist():
        if calm[a:b].min() > usual + NEAR_GROUND_M or calm[a:b].max() < usual - NEAR_GROUND_M:
            continue  # nor can the median be there
        here = median_of(calm[a:b])
        if abs(here - usual) < NEAR_GROUND_M and np.min(np.abs(grounds - here)) < 6.0:
            out.append((a, b))
    return out


def _contacts(grid: Grid, airborne: Flags, channel: str, doubt_s: float) -> tuple[Event, ...]:
    out = []
    for first, stop in runs(airborne):
        if first > 0:
            at = float(grid.time_s[first])
            out.append(Event("liftoff", at, at, doubt_s, channel, "ground", "air", 0.9, DETECTOR))
        if stop < len(airborne):
            at = float(grid.time_s[stop])
            out.append(Event("touchdown", at, at, doubt_s, channel, "air", "ground", 0.9, DETECTOR))
    return tuple(out)
