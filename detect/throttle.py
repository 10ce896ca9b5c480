"""How far the throttle is open, from what it lets through.

Air flows through a throttle as through an orifice: mass flow ~ area x ambient pressure x psi(r), where r is
manifold over ambient pressure; psi is constant below the critical ratio 0.528 (sonic flow) and falls to nothing as r
approaches 1 (J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section 7.6 and appendix C). The engine
takes in manifold pressure x revolutions, so

    area ~ r x revolutions / psi(r)

This is nearly proportional to the lever: the same movement shows alike at idle, where it changes the manifold
pressure much, and near full throttle, where it hardly does. Above r = 0.96 nothing more can be told.
Without manifold pressure the fuel that flows per revolution stands for it, full throttle being r = 0.97.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from .robust import share_of

HEAT_RATIO = 1.4
CRITICAL = (2 / (HEAT_RATIO + 1)) ** (HEAT_RATIO / (HEAT_RATIO - 1))
WIDE = 0.96
FULL_RATIO = 0.97


def flow_function(ratio: Floats) -> Floats:
    """psi(r) over its value in sonic flow: 1 below the critical ratio, 0 at r = 1."""
    r = np.clip(ratio, CRITICAL, 1.0)
    k = HEAT_RATIO
    top = np.sqrt(CRITICAL ** (2 / k) - CRITICAL ** ((k + 1) / k))
    return np.asarray(np.sqrt(np.maximum(r ** (2 / k) - r ** ((k + 1) / k), 0.0)) / top)


def throttle_opening(ratio: Floats, speed: Floats) -> Floats:
    """Throttle area, 1 where nothing more can be told. ratio: manifold over ambient pressure; speed: revolutions
    per second, all (n,); where no speed is known at all it is taken as constant."""
    turning = speed / share_of(speed, 98.0) if np.isfinite(speed).any() else np.ones(len(ratio))
    clipped = np.clip(ratio, 0.0, WIDE)
    most = WIDE / float(flow_function(np.array([WIDE]))[0])
    return np.asarray(clipped * turning / flow_function(clipped) / most)


def ratio_from_fuel(flow: Floats, speed: Floats, ambient: Floats) -> Floats:
    """Manifold over ambient pressure as far as the fuel per revolution tells, all (n,)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        charge = np.where(speed > 1.0, flow / speed / ambient, np.nan)
    full = share_of(charge, 99.0)
    return charge / full * FULL_RATIO if full > 0 else np.full(len(flow), np.nan)
