"""The gear's state told from its drag where no switch recorded it.

Drag alone cannot prove that a gear moves at all: a flap that was missed looks alike. So it is told only where the
settings or the crew's card say that it moves, or where the propeller is governed (a fixed pitch with a retractable
gear is hardly ever built) and a gear that moves explains the drag clearly better than flaps alone can; then with
less confidence.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from .configuration_inference import Inferred, Step
from .configuration_model import drag_misfit, fit_model
from .course import Told, make_course
from .response import Response
from .witness import POSSIBLE, confidence_of

DETECTOR = "gear_inference/2"
TRAVEL_S = 7.0  # light retractables take about this each way: AOPA Flight Training, August 2020
# units of log-likelihood by which the gear has to explain the drag better, and a move of it that may lie anywhere: of
# 30 simulated flights of a fixed gear none passes, of 24 of a retractable that moved it well away from the ground 22
BETTER, BETTER_A_MOVE = 8.5, 0.4
WORDS = ("up", "down")
SETTINGS, CARD = "the settings", "the card's planned points"


def inferred_gear(found: Inferred, r: Response, *, stop_s: float, marks: Floats, vouched: str | None) -> Told:
    """Gear course and events. vouched: who says that the gear moves at all, None where only the drag does."""
    events = [_event(step, float(r.time_s[step.place]), marks) for step in found.gear_steps]
    if vouched is None:
        events = [replace(e, confidence=min(e.confidence, POSSIBLE)) for e in events]
    changes = [(float(r.time_s[0]), WORDS[found.gear[0]])]
    for step, event in zip(found.gear_steps, events, strict=True):
        changes += [(event.time_s, "transit"), (event.stop_s, WORDS[step.after])]
    return Told(make_course("gear", changes, stop_s), tuple(events), (_finding(vouched),))


def _event(step: Step, at: float, marks: Floats) -> Event:
    start, stop = at - TRAVEL_S / 2, at + TRAVEL_S / 2
    confidence, witness = confidence_of(step.gain, (start, stop), marks)
    return Event(
        f"gear_{WORDS[step.after]}", start, stop, TRAVEL_S / 2, "calibrated_airspeed", WORDS[step.before],
        WORDS[step.after], confidence, DETECTOR, {"inferred": True, "gain": step.gain, **witness},
    )  # fmt: skip


def gear_shows(found: Inferred, flaps_alone: Inferred, r: Response) -> bool:
    """Whether a gear that moves explains the drag clearly better than the flaps can, as told without a gear or with it."""
    still = np.zeros(len(found.gear), dtype=np.int64)
    same_flaps = fit_model(
        r, still, found.flap, found.model.angles, trusted=np.ones(len(still), dtype=bool), noise=found.model.drag_noise
    )
    models = (found.model, flaps_alone.model, same_flaps)
    noise = np.minimum.reduce([m.drag_noise for m in models])
    with_gear = drag_misfit(r, found.model, found.gear, found.flap, noise=noise)
    without = (
        drag_misfit(r, flaps_alone.model, still, flaps_alone.flap, noise=noise),
        drag_misfit(r, same_flaps, still, found.flap, noise=noise),
    )
    return min(without) - with_gear > BETTER + BETTER_A_MOVE * len(found.gear_steps)


def _finding(vouched: str | None) -> Finding:
    text = "no gear channel is recorded; up and down told from the drag"
    if vouched is None:
        text += (
            "; write aircraft.retractable_gear in the settings: whether the gear retracts was told from the drag too"
        )
    elif vouched != SETTINGS:
        text += f"; that the gear moves is taken from {vouched}"
    return Finding("STATE_INFERRED", text, "doubt", "gear", 2, facts={} if vouched is None else {"vouched": vouched})
