"""How sure a slow-down's time and distance are: drag, air and speeds drawn, and each draw integrated.

A descent takes away most of what slows the aircraft: an error of the drag of a few per cent, or air that rises by half a
metre a second, then makes tens of per cent of the time, and more upwards than downwards. A straight share of the time would say
neither, so the integral itself is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...shared.physics.atmosphere import altitude_of_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.physics.energy import energy_over_height
from .approach_air import height_doubt
from .approach_sink import Floats
from .bands import UNKNOWN, Band, band_of_draws
from .resampling import seed_of

DRAWS = 500
LOST = 0.025  # share of the draws that may never slow down before there is no band: half of what a band leaves out
SAME_READING = 0.3  # of the airspeed's uncertainty that differs between the two ends: read on one instrument; common practice, no source


@dataclass(frozen=True, slots=True)
class Doubt:
    """Standard uncertainties: share of the drag; vertical gusts [m/s, root mean square]; airspeed [m/s]."""

    share: float
    gust: float
    airspeed: float


def doubt_of(
    steepness: Floats, speed: Floats, *, sink: float, root_density: float, doubt: Doubt, middle: tuple[float, float]
) -> tuple[Band, Band]:
    """Bands of (time [s], distance through the air [m]) about their middle values, UNKNOWN where the speed may not fall at all.

    steepness: (D - T)/W at falling equivalent airspeeds [m/s], (n,) each; sink: of the path [m/s].
    """
    if not np.all(np.isfinite(middle)):
        return UNKNOWN, UNKNOWN
    random = np.random.default_rng(seed_of(*np.round(steepness, 9), *np.round(speed, 6), round(sink, 6)))
    true = speed * root_density
    taken = descent_share(speed, sink=sink, root_density=root_density)
    air = air_of(doubt.gust, float(np.mean(true)), middle[0])
    drawn = steepness * (1 + random.normal(0.0, doubt.share, (DRAWS, 1))) + random.normal(0.0, air, (DRAWS, 1))
    rate = STANDARD_GRAVITY * (drawn - taken)
    falls = np.all(rate > 0, axis=1)
    if np.mean(~falls) > LOST:
        return UNKNOWN, UNKNOWN
    slower = np.where(rate > 0, rate, np.nan)[:, ::-1]
    seconds = np.trapezoid(1 / slower, true[::-1], axis=1)
    distance = np.trapezoid(true[::-1] / slower, true[::-1], axis=1)
    ends = 1 + random.normal(0.0, SAME_READING * doubt.airspeed / (speed[0] - speed[-1]), DRAWS)
    scale = 1 + random.normal(0.0, doubt.airspeed / speed[0], DRAWS)
    return _band(seconds * ends, "s", middle[0]), _band(distance * ends * scale, "m", middle[1])


def descent_share(speed: Floats, *, sink: float, root_density: float) -> Floats:
    """What of (D - T)/W [1] a descent at `sink` [m/s] takes, at equivalent airspeeds [m/s], (n,): the rest slows the aircraft.

    The true airspeed of one equivalent airspeed falls on the way into thicker air, which takes its part, too.
    """
    true = speed * root_density
    altitude = altitude_of_density(SEA_LEVEL_DENSITY / root_density**2)
    return np.asarray(sink / true * energy_over_height(true, altitude), dtype=np.float64)


def air_of(gust: float, true_speed: float, seconds: float) -> float:
    """Standard uncertainty of (D - T)/W [1] over a run from vertical gusts [m/s, root mean square]."""
    lost = float(height_doubt(gust, np.array([true_speed]), np.array([seconds]))[0])
    return lost / max(true_speed * seconds, 1.0)


def _band(drawn: Floats, unit: str, value: float) -> Band:
    """2.5 % and 97.5 % quantiles; the few draws that never slow down (NaN) count as the longest."""
    return band_of_draws(np.where(np.isnan(drawn), np.nanmax(drawn), drawn), unit=unit, value=value)
