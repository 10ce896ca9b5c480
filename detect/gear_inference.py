"""The gear's state told from its drag where no switch recorded it.

Drag alone cannot prove that a gear moves at all: a flap that was missed looks alike. So it is told only
where the settings say that it retracts, or where the propeller is governed (a fixed pitch with a
retractable gear is hardly ever built) and at least one clear step of drag of a gear's size stands away from
every move of the flaps; then with less confidence.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from .configuration_inference import Inferred, Step
from .course import Told, make_course
from .response import Response
from .witness import POSSIBLE, confidence_of

DETECTOR = "gear_inference/1"
TRAVEL_S = 7.0  # light retractables take about this each way: AOPA Flight Training, August 2020
APART_S = 8
BESIDE_S = (4, 24)
FEWEST_S = 6
CLEAR = 5.0  # standard errors
GUSTS_S = 5.0  # of samples that count as one
SIZE_RANGE = (0.4, 2.0)  # times the gear's drag as learned
WORDS = ("up", "down")


def inferred_gear(found: Inferred, r: Response, *, stop_s: float, marks: Floats, known_to_retract: bool) -> Told | None:
    """Gear course and events; None where nothing shows that there is a gear to retract."""
    if not known_to_retract and not any(_stands_alone(found, r, step) for step in found.gear_steps):
        return None
    events = [_event(step, float(r.time_s[step.place]), marks) for step in found.gear_steps]
    if not known_to_retract:
        events = [replace(e, confidence=min(e.confidence, POSSIBLE)) for e in events]
    changes = [(float(r.time_s[0]), WORDS[found.gear[0]])]
    for step, event in zip(found.gear_steps, events, strict=True):
        changes += [(event.time_s, "transit"), (event.stop_s, WORDS[step.after])]
    return Told(make_course("gear", changes, stop_s), tuple(events), (_finding(known_to_retract),))


def _event(step: Step, at: float, marks: Floats) -> Event:
    start, stop = at - TRAVEL_S / 2, at + TRAVEL_S / 2
    confidence, witness = confidence_of(step.gain, (start, stop), marks)
    return Event(
        f"gear_{WORDS[step.after]}", start, stop, TRAVEL_S / 2, "calibrated_airspeed", WORDS[step.before],
        WORDS[step.after], confidence, DETECTOR, {"inferred": True, "gain": step.gain, **witness},
    )  # fmt: skip


def _stands_alone(found: Inferred, r: Response, step: Step) -> bool:
    """Whether a clear step of drag of the gear's size is away from every move of the flaps."""
    k = step.place
    if any(abs(k - other.place) < APART_S for other in found.flap_steps):
        return False
    low, high = max(0, k - BESIDE_S[1]), k + BESIDE_S[1]
    over = found.model.beyond[low:high] / r.pressure[low:high]
    place = np.arange(low, low + len(over)) - k
    same = np.isfinite(over) & (found.flap[place + k] == found.flap[k])
    before, after = over[same & (place < -BESIDE_S[0])], over[same & (place >= BESIDE_S[0])]
    if min(len(before), len(after)) < FEWEST_S:
        return False
    change = (float(np.median(after)) - float(np.median(before))) * (1 if step.after else -1)
    here = place[same] + k
    noise = float(np.median(found.model.drag_noise[here] / r.pressure[here]))
    error = noise * float(np.sqrt(GUSTS_S / len(before) + GUSTS_S / len(after)))
    least, most = (factor * found.model.gear_drag for factor in SIZE_RANGE)
    return change >= CLEAR * error and least <= change <= most


def _finding(known_to_retract: bool) -> Finding:
    text = "no gear channel is recorded; up and down told from the drag"
    if not known_to_retract:
        text += (
            "; write aircraft.retractable_gear in the settings: whether the gear retracts was told from the drag too"
        )
    return Finding("STATE_INFERRED", text, "doubt", "gear", 2)
