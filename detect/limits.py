"""Limits passed: each excursion beyond a limit of settings.aircraft, with its peak and how long it lasted.

A limit that the settings do not name is not looked for, and one finding says which. Airspeed limits are
compared with indicated airspeed where it is recorded, as aircraft papers give them, else calibrated.
Peaks count at the recorder's own rate (a mean would hide them), but only what two successive samples
reach (one sample may be the recorder's): `peak` is the most that two neighbours both passed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.frame import gap_limit_s
from ..shared.recording import Floats, Recording, Track
from ..shared.settings import Aircraft
from .channels import SLOW_CHANNELS
from .course import Course
from .signal import close_short, runs
from .spikes import spikeless
from .states import States

DETECTOR = "limits/1"
APART_S = 5.0  # closer ones are one excursion
AIRSPEEDS = ("indicated_airspeed", "calibrated_airspeed")
GEAR_KEYS = ("gear_operating_speed", "gear_extended_speed")


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of settings.aircraft, the channels it holds for (the first recorded one, or all numbered ones), its side."""

    key: str
    channels: tuple[str, ...]
    upper: bool = True
    numbered: bool = False


LIMITS: tuple[Limit, ...] = (
    Limit("never_exceed_speed", AIRSPEEDS),
    Limit("gear_operating_speed", AIRSPEEDS),
    Limit("gear_extended_speed", AIRSPEEDS),
    Limit("maximum_load_factor", ("normal_load_factor",)),
    Limit("minimum_load_factor", ("normal_load_factor",), upper=False),
    Limit("maximum_engine_speed", ("engine_speed",)),
    Limit("maximum_cylinder_head_temperature", ("cylinder_head_temperature",), numbered=True),
    Limit("maximum_exhaust_gas_temperature", ("exhaust_gas_temperature",), numbered=True),
    Limit("maximum_oil_temperature", ("oil_temperature",)),
)


def find_exceedances(
    recording: Recording, states: States, aircraft: Aircraft
) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    """Events `exceeded_<key of settings.aircraft>` (flaps: exceeded_flap_limit_speed) in time order, and what was
    not looked for. facts: limit, peak [SI], duration_s [s] between first and last sample beyond."""
    events: list[Event] = []
    unnamed, unrecorded = [], []
    for limit in LIMITS:
        value = getattr(aircraft, limit.key)
        if value is None:
            if not (limit.key in GEAR_KEYS and aircraft.retractable_gear is False):
                unnamed.append(limit.key)
            continue
        holders = _holders(recording, limit)
        if not holders or (limit.key in GEAR_KEYS and not _told(states.courses["gear"])):
            unrecorded.append(limit.key)
        for track, name in holders:
            bound = np.where(_applies(limit.key, states, track.time_s, aircraft), value, np.nan)
            events += _excursions(f"exceeded_{limit.key}", track, name, bound, upper=limit.upper)
    _add_flaps(recording, states, aircraft, events=events, unnamed=unnamed, unrecorded=unrecorded)
    events = [_as_sure_as_the_state(event, states) for event in events]
    return tuple(sorted(events, key=lambda e: (e.time_s, e.kind))), _findings(unnamed, unrecorded)


def _as_sure_as_the_state(event: Event, states: States) -> Event:
    """The event, no surer than gear or flap themselves are told: without a switch they are concluded, not recorded."""
    channel = next((c for c in ("gear", "flap") if event.kind.startswith(f"exceeded_{c}")), None)
    told = [e.confidence for e in states.events if channel and e.kind.startswith(f"{channel}_")]
    return replace(event, confidence=min([event.confidence, *told]))


def _findings(unnamed: list[str], unrecorded: list[str]) -> tuple[Finding, ...]:
    out = []
    if unnamed:
        text = f"limits the settings do not name were not looked for: aircraft.{', aircraft.'.join(unnamed)}"
        out.append(Finding("NOT_ATTEMPTED", text, where="settings", facts={"keys": unnamed}))
    if unrecorded:
        text = f"limits whose channel or state is not recorded were not looked for: aircraft.{', aircraft.'.join(unrecorded)}"
        out.append(Finding("NOT_ATTEMPTED", text, where="settings", facts={"keys": unrecorded}))
    return tuple(out)


def _holders(recording: Recording, limit: Limit) -> list[tuple[Track, str]]:
    if limit.numbered:
        base = limit.channels[0]
        return [(t, n) for t in recording.tracks for n in t.columns if n == base or n.startswith(f"{base}_")]
    for name in limit.channels:
        for track in recording.holders(name):
            return [(track, name)]
    return []


def _told(course: Course) -> bool:
    return any(word not in ("unknown", "fixed") for word in course.values)


def _applies(
    key: str, states: States, time_s: Floats, aircraft: Aircraft
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Where the limit holds: gear limits with the gear down or moving, the others always."""
    if key not in GEAR_KEYS:
        return np.ones(len(time_s), dtype=bool)
    gear = states.courses["gear"].labels(time_s)
    if key == "gear_operating_speed":
        return np.asarray(gear == "transit", dtype=bool)
    # without a speed of its own for the movement the extended gear's holds while it moves, too
    moving = gear == "transit" if aircraft.gear_operating_speed is None else np.zeros(len(gear), dtype=bool)
    return np.asarray((gear == "down") | moving, dtype=bool)


def _add_flaps(
    recording: Recording,
    states: States,
    aircraft: Aircraft,
    *,
    events: list[Event],
    unnamed: list[str],
    unrecorded: list[str],
) -> None:
    speeds: dict[str, Any] = {
        one.name: one.limit_speed for one in aircraft.flap_settings if one.limit_speed is not None
    }
    holders = _holders(recording, Limit("", AIRSPEEDS))
    if not speeds:
        unnamed.append("flap_settings.limit_speed")
    elif not holders or not _told(states.courses["flap"]):
        unrecorded.append("flap_settings.limit_speed")
    else:
        track, name = holders[0]
        events += _excursions(
            "exceeded_flap_limit_speed", track, name, _flap_bound(states.courses["flap"], speeds, track.time_s)
        )


def _flap_bound(course: Course, speeds: dict[str, float], time_s: Floats) -> Floats:
    """Limit speed at each time; while the flaps travel the lower one of where they came from and go to."""
    of_stretch = []
    for k, word in enumerate(course.values):
        near = course.values[max(0, k - 1) : k + 2] if word == "transit" else (word,)
        of_stretch.append(min((speeds[w] for w in near if w in speeds), default=np.nan))
    place = np.searchsorted(course.starts_s, time_s, side="right") - 1
    inside = (place >= 0) & (time_s < course.stop_s)
    return np.where(inside, np.array(of_stretch)[np.maximum(place, 0)], np.nan)


def _excursions(kind: str, track: Track, name: str, bound: Floats, *, upper: bool = True) -> list[Event]:
    values = (
        spikeless(track, name) if name in SLOW_CHANNELS else np.asarray(track.columns[name].values, dtype=np.float64)
    )
    sign = 1.0 if upper else -1.0
    with np.errstate(invalid="ignore"):
        if not (sign * values > sign * bound).any():
            return []
        pairs = np.minimum(sign * values[1:], sign * values[:-1])
        beyond = np.zeros(len(values), dtype=bool)
        beyond[1:] = (pairs > sign * bound[1:]) & (pairs > sign * bound[:-1])
    step = track.median_step_s
    joined = close_short(beyond, max(1, round(APART_S / step)))
    joined[1:] &= np.diff(track.time_s) <= gap_limit_s(track)  # nothing is claimed of a time that is not recorded
    out = []
    for first, stop in runs(joined):
        inside = pairs[first - 1 : stop - 1]
        if not np.isfinite(inside).any():
            continue
        peak = sign * float(np.nanmax(inside))
        start, end = float(track.time_s[first - 1]), float(track.time_s[stop - 1])
        facts = {"limit": float(np.nanmin(sign * bound[first:stop]) * sign), "peak": peak, "duration_s": end - start}
        out.append(Event(kind, start, end, step, name, None, peak, 0.9, DETECTOR, facts))
    return out
