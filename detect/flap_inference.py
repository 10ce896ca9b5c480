"""Flap settings told from the aircraft's response where none were recorded.

Names: the settings file's where it lists as many lowered settings as were seen; else 'half' and
'full' for two, 'lowered' for one and numbers for more. Nothing here is certain: see `witness` for the
confidence of an event; a finding says that the state was inferred. Rough air, long sideslips and flaps that
hardly move the line deceive it.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from ..shared.settings import FlapSetting
from .configuration_inference import Inferred, Step
from .course import Told, make_course
from .witness import confidence_of

DETECTOR = "flap_inference/3"
FEWEST_CHANGES = 2
HALF_CHANGE_S = 2.0  # flaps take about 4 s from one setting to the next: common practice, no source
KNOWN_TO_S = 3.0  # no point comes nearer


def inferred_flap(
    found: Inferred, time_s: Floats, named: tuple[FlapSetting, ...], *, stop_s: float, marks: Floats
) -> Told | None:
    """Flap course and flap_change events; None where flaps were not seen to move. marks: times of the crew's marks."""
    if len(found.flap_steps) < FEWEST_CHANGES:  # one shift in a whole sortie is more likely something else
        return None
    words = _names(int(found.flap.max()), named)
    events = tuple(_event(found, step, float(time_s[step.place]), words, marks) for step in found.flap_steps)
    changes = [(float(time_s[0]), words[found.flap[0]])]
    for step in found.flap_steps:
        at = float(time_s[step.place])
        changes += [(at - KNOWN_TO_S, "transit"), (at + KNOWN_TO_S, words[step.after])]
    return Told(make_course("flap", changes, stop_s), events, (_finding(words),))


def _names(lowered: int, named: tuple[FlapSetting, ...]) -> list[str]:
    order = sorted((s for s in named if _extent(s) is not None), key=lambda s: _extent(s) or 0.0)
    if len(order) == lowered + 1:
        return [s.name for s in order]
    return ["up", *{1: ["lowered"], 2: ["half", "full"]}.get(lowered, [str(k + 1) for k in range(lowered)])]


def _extent(setting: FlapSetting) -> float | None:
    return setting.angle if setting.angle is not None else setting.position


def _event(found: Inferred, step: Step, at: float, words: list[str], marks: Floats) -> Event:
    start, stop = at - HALF_CHANGE_S, at + HALF_CHANGE_S
    confidence, witness = confidence_of(step.gain, (start, stop), marks)
    shift = float(found.model.angles[step.after] - found.model.angles[step.before])
    facts = {"shift": shift, "inferred": True, "gain": step.gain, **witness}
    return Event(
        "flap_change", start, stop, KNOWN_TO_S, "pitch", words[step.before], words[step.after], confidence,
        DETECTOR, facts,
    )  # fmt: skip


def _finding(words: list[str]) -> Finding:
    used = ", ".join(words)
    text = f"no flap channel is recorded; {used} told from the angle of attack the lift asked for and the drag"
    return Finding("STATE_INFERRED", text, "doubt", "flap", int(np.size(words)))
