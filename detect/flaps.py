"""The flap setting from what was recorded: a position, an angle, a detent number or a word.

Names: those of the settings where given (matched by position or angle); else, by position, 'up'
under 15 % of the travel, 'full' from 85 %, 'half' from 40 to 60 % and the rounded per cent for
any other detent, so that a name means the same on every flight; by angle, 'up' under 3 degrees
and the degrees above, to the nearest five where that is within 1.5; detent numbers and words as they stand in the log.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..shared.findings import Event
from ..shared.recording import Floats, Recording
from ..shared.settings import FlapSetting, Settings
from .course import UNKNOWN, Told, make_course
from .detents import Rest, find_detents, missing_between, travel_ends, with_turns
from .robust import largest, noise_of, own_clock, smallest
from .signal import grid_column
from .switches import end_of, holder_of, read_switch, samples_of

DETECTOR = "flaps/1"
NEAR_NAMED = 0.12  # share of the travel within which a rest belongs to a named setting


def recorded_flap(recording: Recording, settings: Settings) -> Told | None:
    """Flap setting and flap_change events from recorded channels; None where no channel tells."""
    for name in ("flap_position", "flap_angle"):
        if holder_of(recording, name) is not None:
            return _from_position(recording, name, settings.aircraft.flap_settings)
    for name in ("flap_detent", "flap_reported"):
        samples = samples_of(recording, name)
        if samples is not None:
            return _from_selection(recording, name, settings.aircraft.flap_settings)
    return None


def flap_name(level: float, channel: str, *, named: tuple[FlapSetting, ...], full: float) -> str:
    """The name of a detent. level and full: position (0..1) or angle [rad] as the channel is."""
    best = min(
        (
            (abs(level - value), setting.name)
            for setting in named
            for value in [_value(setting, channel)]
            if value is not None
        ),
        default=None,
    )
    if best is not None and best[0] <= NEAR_NAMED * full:
        return best[1]
    if channel == "flap_angle":
        degrees = float(np.degrees(level))
        five = 5.0 * round(degrees / 5.0)  # play and blow-back move a rest by a degree or so
        return "up" if degrees < 3.0 else f"{five if abs(degrees - five) <= 1.5 else degrees:.0f}"
    if level < 0.15:
        return "up"
    if level >= 0.85:
        return "full"
    return "half" if 0.4 <= level <= 0.6 else f"{5 * round(20 * level)}%"


def _value(setting: FlapSetting, channel: str) -> float | None:
    return setting.angle if channel == "flap_angle" else setting.position


def _full(values: Floats, channel: str, named: tuple[FlapSetting, ...]) -> float:
    """Whole travel in the channel's unit: 1 for a position, the largest angle named or seen."""
    if channel == "flap_position":
        return 1.0
    angles = [s.angle for s in named if s.angle is not None]
    return float(max([*angles, largest(values) - smallest(values), np.radians(10.0)]))


def _from_position(recording: Recording, channel: str, named: tuple[FlapSetting, ...]) -> Told:
    track = holder_of(recording, channel)
    assert track is not None
    time_s, step_s = own_clock(track, 0.1, until_s=end_of(recording))
    values = grid_column(track, channel, time_s, step_s)
    full = _full(values, channel, named)
    found = find_detents(time_s, values, full)
    stop_s = float(time_s[-1]) + step_s
    if not found.rests:
        return Told(make_course("flap", [(float(time_s[0]), UNKNOWN)], stop_s), (), ())
    names = [flap_name(level, channel, named=named, full=full) for level in found.levels]
    rests = with_turns(time_s, values, detents=found, full=full)
    spoken = [names[r.detent] if r.detent >= 0 else flap_name(r.level, channel, named=named, full=full) for r in rests]
    changes, noise = [(rests[0].start_s, spoken[0])], noise_of(values)
    events = []
    for k, (before, after) in enumerate(pairwise(rests)):
        if missing_between(time_s, values, before=before, after=after):
            changes += [(before.stop_s, UNKNOWN), (after.start_s, spoken[k + 1])]
        elif before.detent == after.detent >= 0:  # out and back by less than a travel: creep
            changes.append((after.start_s, spoken[k + 1]))
        else:
            left, start = travel_ends(time_s, values, before=before, after=after)
            changes += [(left, "transit"), (start, spoken[k + 1])]
            rate = abs(after.level - before.level) / max(start - left, step_s)
            doubt = float(np.hypot(step_s, noise / rate))
            pair = (spoken[k], spoken[k + 1])
            events.append(_event((left, start), channel, pair, doubt, (before, after)))
    return Told(make_course("flap", changes, stop_s), tuple(events), ())


def _event(
    span: tuple[float, float], channel: str, names: tuple[str, str], doubt_s: float, rests: tuple[Rest, Rest]
) -> Event:
    facts = {"travel_s": span[1] - span[0], "from_level": rests[0].level, "to_level": rests[1].level}
    return Event("flap_change", span[0], span[1], doubt_s, channel, *names, 1.0, DETECTOR, facts)


def _from_selection(recording: Recording, channel: str, named: tuple[FlapSetting, ...]) -> Told:
    """A detent number or a word: what was selected; the travel itself was not recorded."""
    samples = samples_of(recording, channel)
    assert samples is not None
    switch = read_switch(samples)
    words = {s.name.lower(): s.name for s in named}
    times = sorted(set(switch.times()))
    changes = [(t, _spoken(switch.at(t), words)) for t in times]
    events = tuple(
        Event(
            "flap_change",
            edge.time_s,
            edge.time_s,
            edge.uncertainty_s,
            channel,
            _spoken(edge.before, words),
            _spoken(edge.after, words),
            1.0,
            DETECTOR,
            {"settled_s": edge.settled_s, "changes": edge.changes},
        )
        for edge in switch.edges
    )
    return Told(make_course("flap", changes, switch.stop_s), events, ())


def _spoken(value: object, words: dict[str, str]) -> str:
    if value is None:
        return UNKNOWN
    text = f"{value:g}" if isinstance(value, float) else str(value).strip().lower()
    return words.get(text.lower(), text)
