"""Propulsion state per sample: what the propeller and engine do, told apart with care.

| engine turns | fuel flow       | power state  | propeller                                  | state       |
|--------------|-----------------|--------------|--------------------------------------------|-------------|
| no           | any             | any          | stands still                               | stopped     |
| yes          | zero            | off          | speed proportional to true airspeed        | windmilling |
| yes          | zero            | off          | speed constant while the airspeed changes  | governed    |
| yes          | zero            | off          | cannot be told                             | windmilling |
| yes          | flows, or not   | idle         | any                                        | idle        |
|              | recorded        |              |                                            |             |
| yes          | flows, or not   | part, full   | any                                        | power       |
|              | recorded        |              |                                            |             |
| not recorded | any             | unknown      | any                                        | unknown     |

Idle is never called power-off: the engine burns fuel and turns the propeller, and the drag is
another one. A fixed-pitch propeller at idle also turns in proportion to the airspeed; it is
'idle' unless the fuel flow says the engine is shut down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .course import UNKNOWN
from .engine import Engine
from .power import standing
from .signal import Flags, slope

WINDOW_S = 8.0
_WORDS = (UNKNOWN, "power", "idle", "windmilling", "governed", "stopped")
MOVING_PER_S = 0.003  # share of the airspeed a second that tells the two apart


def propulsion_labels(engine: Engine, power: NDArray[np.object_]) -> NDArray[np.object_]:
    """Propulsion state of every sample of the engine's clock."""
    labels = np.full(len(engine.time_s), _WORDS.index(UNKNOWN))
    labels[(power == "part") | (power == "full")] = _WORDS.index("power")
    labels[power == "idle"] = _WORDS.index("idle")
    off = power == "off"
    labels[off] = _WORDS.index("windmilling")
    labels[off & holds_speed(engine)] = _WORDS.index("governed")
    labels[standing(engine)] = _WORDS.index("stopped")
    return np.array(_WORDS, dtype=object).take(labels)


def holds_speed(engine: Engine) -> Flags:
    """Where the propeller keeps its speed although the airspeed changes: a governor at work."""
    width = max(3, round(WINDOW_S / engine.step_s))
    with np.errstate(invalid="ignore", divide="ignore"):
        turning = slope(np.log(np.where(engine.speed > 1.0, engine.speed, np.nan)), width, engine.step_s)
        flying = slope(np.log(np.where(engine.airspeed > 5.0, engine.airspeed, np.nan)), width, engine.step_s)
        told = np.abs(flying) > MOVING_PER_S
        held = told & (np.abs(turning) < 0.3 * np.abs(flying))
    return _held_between(held, told)


def _held_between(held: Flags, told: Flags) -> Flags:
    """The last answer goes on until the airspeed changes enough to ask again."""
    place = np.where(told, np.arange(len(told)), -1)
    last = np.maximum.accumulate(place) if len(place) else place
    return np.asarray((last >= 0) & held[np.maximum(last, 0)], dtype=bool)
