"""Where and which way the aircraft approached: one frame of reference for each landing and go-around.

Nothing about the field is known beforehand: the direction is the aircraft's own at the end of the
approach, the touchdown point its position there. A go-around may end before the last turn is done, so it
borrows direction and touchdown point of the sortie's landings at that place and roughly that way;
where there is none its own direction and lowest point stand for them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..shared.findings import Event
from ..shared.recording import Floats
from .motion import Motion
from .robust import median_of
from .signal import Flags, Grid, runs

EARTH_RADIUS_M = 6371008.8  # mean radius, IUGG 1980
SAME_DIRECTION_RAD = np.radians(60.0)
DIRECTION_S = 6.0
SAME_FIELD_M = 4000.0


@dataclass(frozen=True, slots=True, eq=False)
class Approach:
    """One approach. start, end: indices, end that of the touchdown or of the lowest point.

    kind: touchdown (also of a touch-and-go) or go_around. direction [rad] as the direction channel has it,
    over_ground [rad, true] from the positions; height of the ground [m, as the height channel]; point: (latitude, longitude) [deg] of the touchdown point or None; reference: whose it is.
    """

    start: int
    end: int
    kind: str
    direction: float
    over_ground: float
    ground_m: float
    point: tuple[float, float] | None
    reference: str


def find_approaches(motion: Motion, grid: Grid, airborne: Flags, go_arounds: tuple[Event, ...]) -> list[Approach]:
    """Every landing and go-around in order of time. Empty without a direction channel."""
    if motion.direction_channel is None or motion.height_channel is None:
        return []
    field = median_of(motion.height[~airborne]) if not airborne.all() else float("nan")
    out = []
    for first, stop in runs(airborne):
        ends = [(grid.index(e.stop_s), "go_around") for e in go_arounds if first < grid.index(e.stop_s) < stop]
        if stop < len(airborne):
            ends.append((int(stop), "touchdown"))
        begin = int(first)
        for end, kind in sorted(ends):
            ground = median_of(motion.height[end : end + motion.samples(3.0)]) if kind == "touchdown" else field
            over = direction_over_ground(grid, begin, end)
            out.append(Approach(begin, end, kind, _direction(motion, end), over, ground, _place(grid, end), kind))
            begin = end
    return [_with_point(one, out) for one in out if np.isfinite(one.direction)]


def _direction(motion: Motion, end: int) -> float:
    """The aircraft's direction over the last seconds, NaN when it is not recorded there."""
    return median_of(motion.direction[max(0, end - motion.samples(DIRECTION_S)) : end + 1])


def _place(grid: Grid, index: int) -> tuple[float, float] | None:
    near = slice(max(0, index - grid.samples(2.0)), index + grid.samples(2.0))
    latitude, longitude = median_of(grid.numbers("latitude")[near]), median_of(grid.numbers("longitude")[near])
    return (latitude, longitude) if np.isfinite(latitude) and np.isfinite(longitude) else None


def _with_point(one: Approach, others: list[Approach]) -> Approach:
    if one.kind == "touchdown" or one.point is None:
        return one
    near = [
        other
        for other in others
        if other.kind == "touchdown"
        and other.point is not None
        and abs(wrapped(other.direction - one.direction)) < SAME_DIRECTION_RAD
        and np.hypot(*_metres(np.array(other.point[0]), np.array(other.point[1]), one.point)) < SAME_FIELD_M
    ]
    if not near:
        return replace(one, reference="lowest point")
    middle = np.median(np.array([other.point for other in near]), axis=0)
    off = float(np.median([wrapped(other.direction - one.direction) for other in near]))
    return replace(
        one,
        direction=one.direction + off,
        point=(float(middle[0]), float(middle[1])),
        over_ground=float(near[0].over_ground + wrapped(np.median([_off(o, near[0]) for o in near]))),
        reference="other landings",
    )


def _off(one: Approach, other: Approach) -> float:
    return float(wrapped(one.over_ground - other.over_ground))


def wrapped(angle: Floats | float) -> Floats:
    """An angle between -pi and pi [rad]."""
    return np.asarray((np.asarray(angle) + np.pi) % (2 * np.pi) - np.pi)


def _metres(latitude: Floats, longitude: Floats, point: tuple[float, float]) -> tuple[Floats, Floats]:
    """North and east of a point [m], on a sphere: exact enough within a circuit."""
    north = np.radians(latitude - point[0]) * EARTH_RADIUS_M
    east = np.radians((longitude - point[1] + 180.0) % 360.0 - 180.0) * EARTH_RADIUS_M * np.cos(np.radians(point[0]))
    return north, east


def runway_position(grid: Grid, approach: Approach) -> tuple[Floats, Floats]:
    """Along the landing direction past the touchdown point, and to its right [m], shape (n,).

    NaN outside the approach and without a position."""
    along, right = np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    if approach.point is not None:
        span = slice(approach.start, approach.end + 1)
        north, east = _metres(grid.numbers("latitude")[span], grid.numbers("longitude")[span], approach.point)
        cosine, sine = np.cos(approach.over_ground), np.sin(approach.over_ground)
        along[span], right[span] = north * cosine + east * sine, east * cosine - north * sine
    return along, right


def direction_over_ground(grid: Grid, start: int, end: int) -> float:
    """True direction of the last seconds before an index, from the positions themselves [rad]; NaN without."""
    latitude, longitude = grid.numbers("latitude"), grid.numbers("longitude")
    back = max(start, end - grid.samples(DIRECTION_S))
    near = np.flatnonzero(np.isfinite(latitude[back : end + 1])) + back
    if len(near) < 2:
        return float("nan")
    a, b = int(near[0]), int(near[-1])
    north, east = _metres(latitude[b], longitude[b], (float(latitude[a]), float(longitude[a])))
    return float(np.arctan2(east, north)) if np.hypot(north, east) > 20.0 else float("nan")
