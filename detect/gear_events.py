"""Gear events of a told course, and where lever and lock switches contradict each other."""

from __future__ import annotations

from itertools import pairwise

from ..shared.findings import Event, Finding, Segment
from .course import UNKNOWN, Course
from .switches import Switch

DETECTOR = "gear/1"
CONTRADICTION_S = 20.0


def gear_events(course: Course, source: str, *, lever: Switch | None, uncertainty_s: float) -> tuple[Event, ...]:
    """gear_up and gear_down of every travel of the course; `source` is the channel that told it."""
    runs = course.runs()
    out = []
    for before, moving, after in zip(runs, runs[1:], runs[2:], strict=False):
        if moving.value != "transit" or after.value not in ("up", "down"):
            continue
        there, back = _legs(before.value, after.value, moving.segment, lever)
        for towards, span in (*there, *back):
            facts = {"travel_s": span.duration_s, "completed": towards == after.value, **_selected(lever, span.start_s)}
            out.append(
                Event(
                    f"gear_{towards}",
                    span.start_s,
                    span.stop_s,
                    uncertainty_s,
                    source,
                    before.value,
                    after.value,
                    1.0,
                    DETECTOR,
                    facts,
                )
            )
    return tuple(out)


Legs = tuple[tuple[str, Segment], ...]


def _legs(before: str, after: str, travel: Segment, lever: Switch | None) -> tuple[Legs, Legs]:
    """The travel's movements: one, or two where the gear came back and the lever says when it turned."""
    if before != after:
        return ((after, travel),), ()
    other = "up" if after == "down" else "down"
    turned = [e.time_s for e in lever.edges if travel.start_s + 0.5 < e.time_s < travel.stop_s] if lever else []
    if not turned:
        return ((other, travel),), ()
    return ((other, Segment(travel.start_s, turned[-1])),), ((after, Segment(turned[-1], travel.stop_s)),)


def _selected(lever: Switch | None, start_s: float) -> dict[str, float]:
    """When the lever was moved for a travel that began at start_s."""
    moved = [e.time_s for e in lever.edges if -0.5 < start_s - e.time_s < CONTRADICTION_S] if lever else []
    return {"selected_s": moved[-1]} if moved else {}


def bounce_findings(switches: dict[str, Switch]) -> list[Finding]:
    """One finding for every switch that bounced or pulsed."""
    return [
        Finding(
            "SWITCH_BOUNCE",
            f"{name}: {s.bounces} edges took several changes to settle, {s.glitches} pulses led nowhere; one event each was kept",
            where=name,
            count=s.bounces + s.glitches,
        )
        for name, s in switches.items()
        if s.bounces + s.glitches
    ]


def contradictions(course: Course, *, down: Switch | None, up: Switch | None, lever: Switch | None) -> list[Finding]:
    """Where both locks are made at once, and where the lever says otherwise for longer than a travel takes."""
    out = []
    if down and up:
        for run in course.runs():
            start = run.segment.start_s
            if run.value == UNKNOWN and (down.at(start) or 0) > 0.5 and (up.at(start) or 0) > 0.5:
                out.append(_disagree("both gear locks are made at once", run.segment.start_s, run.segment.stop_s))
    for run in course.runs():
        if lever is None or run.value not in ("up", "down"):
            continue
        for start, stop in _lever_against(lever, run.value, run.segment.start_s, run.segment.stop_s):
            out.append(_disagree(f"the gear lever says otherwise while the gear is {run.value}", start, stop))
    return out


def _lever_against(lever: Switch, state: str, start_s: float, stop_s: float) -> list[tuple[float, float]]:
    times = sorted({start_s, stop_s, *(t for t in lever.times() if start_s < t < stop_s)})
    wrong = [
        (a, b)
        for a, b in pairwise(times)
        if lever.at(a) is not None and ("down" if lever.at(a) > 0.5 else "up") != state
    ]
    return [(a, b) for a, b in wrong if b - a > CONTRADICTION_S]


def _disagree(text: str, start_s: float, stop_s: float) -> Finding:
    return Finding("SWITCHES_DISAGREE", text, "doubt", "gear", 1, start_s, stop_s)
