"""Power state per sample: idle, part, full, off, unknown; thresholds relative to this sortie.

| state   | when                                                                              |
|---------|-----------------------------------------------------------------------------------|
| off     | the engine stands still, or it turns and the fuel flow is zero                    |
| idle    | load under 10 % of the way from flight idle to full (left again above 16 %), by   |
|         | fuel flow under 5 % (7 %); on the ground under 35 %, as ground idle is higher     |
| full    | load above 93 % of the sortie's highest (left again under 90 %), or above 95 %    |
|         | (92 %) of what the height's air pressure leaves of it                             |
| part    | anything between                                                                  |
| unknown | no channel tells                                                                  |
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .course import UNKNOWN
from .engine import NO_FUEL, STOPPED_REV_S, TURNING_REV_S, Engine
from .signal import Flags, hysteresis

# manifold pressure at idle changes with speed and height, fuel flow hardly does
IDLE_BAND = {"fuel_flow": (0.05, 0.07), "fuel_mass_flow": (0.05, 0.07)}
IDLE_BAND_OTHERS = (0.10, 0.16)
IDLE_GROUND = 0.35
FULL_ENTER, FULL_LEAVE = 0.93, 0.90
REACH_ENTER, REACH_LEAVE = 0.95, 0.92
_WORDS = (UNKNOWN, "part", "full", "idle", "off")


def idle_band(engine: Engine) -> tuple[float, float]:
    """Loads under which idle begins and above which it ends."""
    return IDLE_BAND.get(engine.load_channel or "", IDLE_BAND_OTHERS)


def standing(engine: Engine) -> Flags:
    """Whether the engine stands still, with two thresholds."""
    return ~hysteresis(engine.speed, STOPPED_REV_S, TURNING_REV_S, start=True) & np.isfinite(engine.speed)


def fuel_cut(engine: Engine) -> Flags:
    """Whether the fuel flow is zero; False where it is not recorded."""
    with np.errstate(invalid="ignore"):
        return np.asarray(engine.fuel < NO_FUEL, dtype=bool)


def power_labels(engine: Engine) -> NDArray[np.object_]:
    """Power state of every sample of the engine's clock."""
    labels = np.full(len(engine.time_s), _WORDS.index(UNKNOWN))
    known = np.isfinite(engine.load)
    labels[known] = _WORDS.index("part")
    wide_open = hysteresis(engine.load, FULL_LEAVE, FULL_ENTER) | hysteresis(engine.reach, REACH_LEAVE, REACH_ENTER)
    labels[known & wide_open] = _WORDS.index("full")
    if engine.idle_seen:
        labels[known & ~hysteresis(engine.load, *idle_band(engine), start=True)] = _WORDS.index("idle")
    ground = ~engine.airborne
    with np.errstate(invalid="ignore"):
        labels[known & ground & (engine.load < IDLE_GROUND)] = _WORDS.index("idle")
    labels[standing(engine) | (fuel_cut(engine) & np.isfinite(engine.fuel))] = _WORDS.index("off")
    return np.array(_WORDS, dtype=object).take(labels)
