"""Landing patterns and their key points: overhead and abeam the touchdown point, with height and position.

A pattern is power_off_pattern when the engine gave no power from its first leg told (overhead or
downwind) to its end, but for moments; otherwise pattern, or straight_in without a downwind leg.
Heights are above the touchdown point (above the field for a go-around) in the height channel's own
datum, as recorded: in air warmer or colder than standard the tapeline height differs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..shared.findings import Event, Manoeuvre, Segment
from ..shared.recording import Floats
from .legs import Legs, find_legs
from .motion import Motion
from .runway import Approach, find_approaches, runway_position, wrapped
from .signal import Grid
from .states import States

DETECTOR = "patterns/1"
NO_POWER = ("idle", "off")
NO_POWER_SHARE = 0.9
BREAK_BANK_RAD = np.radians(15.0)
LAST_CIRCLE_RAD = np.radians(320.0)
CUT_S = 8.0  # after the key point the power may still be going back
LAST_S = 5.0  # before a go-around's lowest point the power may be coming back


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """One approach with its legs; along, right: position against the touchdown point [m], (n,)."""

    approach: Approach
    legs: Legs
    along: Floats
    right: Floats


def find_patterns(motion: Motion, grid: Grid, states: States, go_arounds: tuple[Event, ...]) -> list[Pattern]:
    """Every approach with its legs, in order of time."""
    out = []
    no_power = np.isin(states.labels["power"], NO_POWER)
    for approach in find_approaches(motion, grid, motion.airborne, go_arounds):
        along, right = runway_position(grid, approach)
        legs = find_legs(motion, approach, np.hypot(along, right), no_power)
        out.append(Pattern(approach, legs, along, right))
    return out


def pattern_manoeuvres(
    patterns: list[Pattern], motion: Motion, states: States, events: tuple[Event, ...]
) -> tuple[list[Manoeuvre], list[Event]]:
    """The patterns as manoeuvres, and their key points as events high_key, low_key and break_turn."""
    manoeuvres, keys = [], []
    for one in patterns:
        kind, start = _kind(one, motion, states)
        high, low = _high_key(one), _low_key(one, motion.direction)
        facts = {
            **_facts(one, motion, states, events),
            **_key_facts("overhead", high, one, motion),
            **_key_facts("abeam", low, one, motion),
            "abeam_passes": [dict(_key_facts("abeam", k, one, motion)) for k in _passes(one)],
        }
        if kind != "straight_in":
            keys += _events(one, motion, high, low, power_off=kind == "power_off_pattern")
        channels = (str(motion.direction_channel), str(motion.height_channel))
        confidence = 0.8 if one.approach.point is not None else 0.5
        segment = Segment(motion.start_of(start), motion.start_of(one.approach.end))
        if segment.duration_s > 0:
            manoeuvres.append(Manoeuvre(segment, kind, channels, confidence, DETECTOR, facts))
    return manoeuvres, sorted(keys, key=lambda e: e.time_s)


def _kind(one: Pattern, motion: Motion, states: States) -> tuple[str, int]:
    """What the pattern was, and the index it begins at."""
    legs, high = one.legs, _high_key(one)
    if legs.downwind is None:
        return "straight_in", legs.final
    start = legs.overhead if legs.overhead is not None else legs.downwind
    last = legs.end - (motion.samples(LAST_S) if one.approach.kind == "go_around" else 0)
    for first in (start, *(() if high is None else (high,)), legs.downwind):
        idle = np.isin(states.labels["power"][first + motion.samples(CUT_S) : last], NO_POWER)
        if len(idle) and idle.mean() >= NO_POWER_SHARE:
            return "power_off_pattern", first
    return "pattern", start


def _facts(one: Pattern, motion: Motion, states: States, events: tuple[Event, ...]) -> dict[str, Any]:
    approach, legs = one.approach, one.legs
    seconds = {f"{name}_s": (stop - first) * motion.step_s for name, first, stop in legs.spans()}
    end = approach.end - 1
    facts: dict[str, Any] = {
        "ends_in": _ending(approach, motion, events),
        "direction": float(approach.direction % (2 * np.pi)),
        "touchdown_point_from": approach.reference if approach.point is not None else None,
        "side": _side(one, motion),
        **seconds,
        "end_airspeed": _finite(motion.airspeed[end]),
        "gear": str(states.labels["gear"][end]),
        "flap": str(states.labels["flap"][end]),
    }
    if legs.flare is not None:
        facts |= {
            "flare_height_m": _finite(motion.height[legs.flare] - approach.ground_m),
            "flare_airspeed": _finite(motion.airspeed[legs.flare]),
        }
    if approach.kind == "go_around":
        facts["lowest_height_m"] = _finite(motion.height[approach.end] - approach.ground_m)
    return facts


def _ending(approach: Approach, motion: Motion, events: tuple[Event, ...]) -> str:
    """go_around, touch_and_go or landing; a touch-and-go is one that its event says."""
    if approach.kind == "go_around":
        return "go_around"
    at = motion.start_of(approach.end)
    near = any(e.kind == "touch_and_go" and abs(e.time_s - at) < 3.0 for e in events)
    return "touch_and_go" if near else "landing"


def _side(one: Pattern, motion: Motion) -> str | None:
    """Which way the pattern turns: by the heading gained from downwind to the end."""
    if one.legs.base is None:
        return None
    turned = motion.direction[one.legs.final] - motion.direction[one.legs.base]
    return ("right" if turned > 0 else "left") if np.isfinite(turned) else None


def _high_key(one: Pattern) -> int | None:
    """Index of the first closest pass over the touchdown point on the overhead leg."""
    legs = one.legs
    if legs.overhead is None or legs.downwind is None:
        return None
    distance = np.hypot(one.along, one.right)[legs.overhead : legs.downwind]
    if not np.isfinite(distance).any():
        return None
    further = np.flatnonzero(np.diff(distance) > 0)
    return legs.overhead + (int(further[0]) if len(further) else int(np.nanargmin(distance)))


def _passes(one: Pattern) -> list[int]:
    """Every index where the aircraft passes abeam the touchdown point flying the other way, one a circle."""
    legs = one.legs
    if legs.downwind is None:
        return []
    first = legs.overhead if legs.overhead is not None else legs.downwind
    along = one.along[first : legs.final]
    with np.errstate(invalid="ignore"):
        passed = np.flatnonzero((along[:-1] >= 0) & (along[1:] < 0))
    return [first + int(k) for k in passed]


def _low_key(one: Pattern, direction: Floats) -> int | None:
    """The last pass abeam, unless another circle was flown after it: then it is none of this landing's downwind."""
    passes = _passes(one)
    if not passes or not abs(direction[one.legs.final] - direction[passes[-1]]) < LAST_CIRCLE_RAD:
        return None
    return passes[-1]


def _key_facts(name: str, index: int | None, one: Pattern, motion: Motion) -> Mapping[str, float | None]:
    """Time, height, distance and lateral position (right of the landing direction positive), airspeed."""
    if index is None:
        return {f"{name}_s": None}
    return {
        f"{name}_s": motion.start_of(index),
        f"{name}_height_m": _finite(motion.height[index] - one.approach.ground_m),
        f"{name}_distance_m": _finite(np.hypot(one.along[index], one.right[index])),
        f"{name}_lateral_m": _finite(one.right[index]),
        f"{name}_airspeed": _finite(motion.airspeed[index]),
    }


def _events(one: Pattern, motion: Motion, high: int | None, low: int | None, *, power_off: bool) -> list[Event]:
    out = []
    if power_off and high is not None:
        out.append(_event("high_key", high, one, motion))
    if power_off and low is not None:
        out.append(_event("low_key", low, one, motion))
    if not power_off and high is not None and one.legs.downwind is not None:
        with np.errstate(invalid="ignore"):
            banked = np.flatnonzero(np.abs(motion.bank[high : one.legs.downwind]) > BREAK_BANK_RAD)
        if len(banked):
            out.append(_event("break_turn", high + int(banked[0]), one, motion))
    return out


def _event(kind: str, index: int, one: Pattern, motion: Motion) -> Event:
    at = motion.start_of(index)
    keys = ("s", "height_m", "distance_m", "lateral_m", "airspeed")
    named = _key_facts("", index, one, motion)
    facts = {key: named[f"_{key}"] for key in keys[1:]}
    facts["direction_off_landing"] = _finite(float(wrapped(motion.direction[index] - one.approach.direction)))
    return Event(kind, at, at, 1.0, "latitude", None, None, 0.8, DETECTOR, facts)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
