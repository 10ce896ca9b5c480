"""The landing gear's state from what was recorded: lock switches, position, words or the lever.

Which source speaks, best first:

| recorded                | up          | down        | transit                              |
|-------------------------|-------------|-------------|--------------------------------------|
| both lock switches      | up lock on  | down lock on| both off; both on is 'unknown'       |
| position                | detent <0.5 | detent >0.5 | between them                         |
| one lock switch         | lock / time | lock / time | travel time around the lock's change |
| words in the log        | its words   | its words   | its words                            |
| lever alone             | lever       | lever       | travel time after the lever moved    |

The lever beside locks or position gives the selection; where it contradicts them for longer than
a travel takes, that is a finding. Travel time where nothing shows it: 10 s (light retractables
take about 7 s each way: AOPA Flight Training, August 2020), and the event's uncertainty says so.
"""

from __future__ import annotations

from ..shared.recording import Recording
from .course import UNKNOWN, Course, Told, make_course
from .detents import find_detents, missing_between, travel_ends
from .gear_events import bounce_findings, contradictions, gear_events
from .robust import own_clock
from .signal import grid_column
from .switches import Switch, end_of, holder_of, read_switch, samples_of

ASSUMED_TRAVEL_S = 10.0

_WORDS = {
    "up": "up", "retracted": "up", "upandlocked": "up", "uplocked": "up", "in": "up",
    "down": "down", "dn": "down", "extended": "down", "downandlocked": "down", "downlocked": "down", "out": "down",
    "locked": "down", "transit": "transit", "intransit": "transit", "moving": "transit",
}  # fmt: skip


def recorded_gear(recording: Recording) -> Told | None:
    """Gear state and events from recorded channels; None where no channel tells."""
    switches = {}
    for name in ("gear_down_locked", "gear_up_locked", "gear_lever", "gear_reported"):
        samples = samples_of(recording, name)
        if samples is not None:
            switches[name] = read_switch(samples)
    down, up = switches.get("gear_down_locked"), switches.get("gear_up_locked")
    lever = switches.get("gear_lever")
    if down and up:
        course, source = _from_locks(down, up), down.channel
    elif holder_of(recording, "gear_position") is not None:
        course, source = _from_position(recording), "gear_position"
    elif down or up:
        course, source = _from_one_lock(down, up), (down or up).channel  # type: ignore[union-attr]
    elif "gear_reported" in switches:
        course, source = _from_words(switches["gear_reported"]), "gear_reported"
    elif lever:
        course, source = _from_lever(lever), "gear_lever"
    else:
        return None
    step_s = next((s.step_s for s in (down, up, lever) if s is not None), 1.0)
    findings = [*bounce_findings(switches), *contradictions(course, down=down, up=up, lever=lever)]
    assumed = source == "gear_lever"
    return Told(
        course, gear_events(course, source, lever=lever, uncertainty_s=2.0 if assumed else step_s), tuple(findings)
    )


def _from_locks(down: Switch, up: Switch) -> Course:
    times = sorted({*down.times(), *up.times()})
    return make_course("gear", [(t, _locked(down.at(t), up.at(t))) for t in times], times[-1])


def _locked(down: float | None, up: float | None) -> str:
    if down is None or up is None:
        return UNKNOWN
    return {(True, False): "down", (False, True): "up", (False, False): "transit"}.get((down > 0.5, up > 0.5), UNKNOWN)


def _from_one_lock(down: Switch | None, up: Switch | None) -> Course:
    """One lock alone: off means the other end, but for a travel's time beside every change."""
    lock = down or up
    assert lock is not None
    here, there = ("down", "up") if down else ("up", "down")
    changes = [(lock.start_s, here if lock.initial > 0.5 else there)]
    for edge in lock.edges:
        if edge.after > 0.5:
            changes += [(max(edge.time_s - ASSUMED_TRAVEL_S, changes[-1][0]), "transit"), (edge.time_s, here)]
        else:
            changes += [(edge.time_s, "transit"), (edge.time_s + ASSUMED_TRAVEL_S, there)]
    return make_course("gear", _with_gaps(sorted(changes, key=lambda c: c[0]), lock), lock.stop_s)


def _from_lever(lever: Switch) -> Course:
    changes = [(lever.start_s, "down" if lever.initial > 0.5 else "up")]
    for edge in lever.edges:
        changes += [(edge.time_s, "transit"), (edge.time_s + ASSUMED_TRAVEL_S, "down" if edge.after > 0.5 else "up")]
    return make_course("gear", _with_gaps(sorted(changes, key=lambda c: c[0]), lever), lever.stop_s)


def _from_words(words: Switch) -> Course:
    times = sorted(set(words.times()))
    return make_course("gear", [(t, _word(words.at(t))) for t in times], times[-1])


def _word(word: str | None) -> str:
    return UNKNOWN if word is None else _WORDS.get("".join(c for c in word.lower() if c.isalpha()), UNKNOWN)


def _with_gaps(changes: list[tuple[float, str]], switch: Switch) -> list[tuple[float, str]]:
    """The changes, with 'unknown' over the spans that have no rows."""
    plain = make_course("gear", changes, switch.stop_s)
    out = [c for c in changes if not any(a <= c[0] < b for a, b in switch.gaps)]
    for a, b in switch.gaps:
        out += [(a, UNKNOWN), (b, plain.at(b))]
    return sorted(out, key=lambda c: c[0])


def _from_position(recording: Recording) -> Course:
    track = holder_of(recording, "gear_position")
    assert track is not None
    time_s, step_s = own_clock(track, 0.1, until_s=end_of(recording))
    values = grid_column(track, "gear_position", time_s, step_s)
    rests = find_detents(time_s, values, 1.0).rests
    changes: list[tuple[float, str]] = []
    for before, rest in zip((None, *rests), rests, strict=False):
        start = rest.start_s
        if before is not None and missing_between(time_s, values, before=before, after=rest):
            changes.append((before.stop_s, UNKNOWN))
        elif before is not None and before.detent != rest.detent:
            left, start = travel_ends(time_s, values, before=before, after=rest)
            changes.append((left, "transit"))
        changes.append((start, _end(rest.level)))
    return make_course("gear", changes, float(time_s[-1]) + step_s)


def _end(level: float) -> str:
    return "up" if level < 0.15 else "down" if level > 0.85 else "transit"
