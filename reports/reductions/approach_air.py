"""What rising and sinking air leaves in doubt of a height lost: gusts as the sorties' own points tell them.

Gusts of the Dryden form, as `detect.air_motion` takes them: their mean over a leg varies less the longer the leg is, so
that a leg of 25 seconds is told far worse, for its height, than a whole approach. Lifts wider than the pattern are in no figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...detect.air_motion import ELSEWHERE, LIKE_HEIGHT, ORDINARY, PART_S, share_in_difference, share_in_sink
from .approach_sink import Floats

SHIFTS = 4  # of the parts along an approach
NAME = "vertical_air_motion_deviation"


@dataclass(frozen=True, slots=True)
class Wander:
    """What one approach tells of the gusts: variance [m2/s2], and of how many independent differences (0: nothing)."""

    variance: float
    number: float


def wander_of(time_s: Floats, energy_lost: Floats, *, rate: Floats, speed: Floats) -> Wander:
    """How the loss of energy height [m] wanders about the sink told [m/s], by neighbouring parts of an approach; arrays (n,).

    speed: true [m/s]. The level, how far the approach as a whole lies off, is not in it.
    """
    parts = int((time_s[-1] - time_s[0]) / PART_S)
    if parts < 2:
        return Wander(0.0, 0.0)
    told = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2 * np.diff(time_s))])
    room = time_s[-1] - time_s[0] - parts * PART_S
    squares = []
    for begin in time_s[0] + np.linspace(0.0, room, SHIFTS):
        left = np.interp(begin + PART_S * np.arange(parts + 1), time_s, energy_lost - told)
        squares.append(np.mean(np.diff(left / PART_S, n=2) ** 2))
    share = share_in_difference(np.array([np.mean(speed)]), np.array([PART_S]))
    return Wander(float(np.mean(squares) / share[0]), float(parts - 1))


def gust_size(
    points: pd.DataFrame, altitude: float, *, sortie: str | None = None, wanders: Iterable[Wander] = ()
) -> float:
    """Root mean square of vertical gusts [m/s] near a pressure altitude [m]: of one sortie's points, or of all, and approaches.

    Points near the altitude count most, an ordinary day's gusts count too, and alone where nothing tells any.
    """
    usual, worth = ORDINARY
    total, weights = worth * usual**2, worth
    for one in wanders:
        total, weights = total + one.number * one.variance, weights + one.number
    if {NAME, "pressure_altitude"} <= set(points):
        own = points if sortie is None else points[points["sortie"] == sortie]
        own = own.dropna(subset=[NAME, "pressure_altitude"])
        size, height = (own[name].to_numpy(dtype=np.float64) for name in (NAME, "pressure_altitude"))
        away = (height - altitude) / LIKE_HEIGHT if np.isfinite(altitude) else np.zeros(len(height))
        weight = np.exp(-0.5 * away**2) + ELSEWHERE
        total, weights = total + weight @ size**2, weights + weight.sum()
    return float(np.sqrt(total / weights))


def height_doubt(gust: float, speed: Floats, seconds: Floats) -> Floats:
    """Standard uncertainty of a height lost [m] over legs of these durations [s] at these true airspeeds [m/s]."""
    time = np.maximum(seconds, 0.1)
    return np.asarray(gust * np.sqrt(share_in_sink(np.maximum(speed, 1.0), time)) * time)
