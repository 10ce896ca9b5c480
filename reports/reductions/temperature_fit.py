"""What the thermometer reads late and too warm, from all steady points together.

A probe reads what the air was some seconds ago: colder air in a descent, warmer in a climb. And the static temperature
computed from it has the ram rise in it by another share than was thought. In one flight the air is taken as a straight line
over height, drifting with time; both errors are common to all flights:

    T_read = T(h, t) - lag T'(h) dh/dt + ram V^2 / (2 cp)

A colder reading makes a sink rate too small by its share, and equivalent airspeed from velocity over the ground too large.
First-order lag: W. Gracey, Measurement of Aircraft Speed and Altitude, NASA RP-1046, 1980; ram rise and recovery: the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.physics.constants import SPECIFIC_HEAT_AIR
from .bands import Band, band_of

Floats = NDArray[np.float64]

NEEDED = ("static_air_temperature", "pressure_altitude", "geometric_climb_rate", "true_airspeed")
FEWEST_OF_A_FLIGHT = 8  # points: three tell its air
LEAST_HEIGHT = 600.0  # between its lowest and highest point [m]
FEWEST = 20  # points of all flights
USUAL_LAG, USUAL_RAM = 30.0, 0.3  # standard deviations before any point [s], [1]; common practice, no source
# of lag [s] and ram [1]: air is no straight line, points are short; common practice, no source
LEAST_ERRORS = (1.0, 0.04)
MOST_UNSURE = 6.0  # standard uncertainty of the lag [s], above which nothing is told
MOST_SCATTER = 1.5  # of single points [K]: more, the air was no straight line
LONGEST_LAG = 90.0
HUBER = 2.0
ROUNDS = 12


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureFit:
    """The lag [s] and the share of the full ram rise that is in the static temperature by mistake, with bands; scatter of points [K].

    lapse: temperature over height [K/m] of each flight that told its own.
    """

    lag: Band
    ram: Band
    lapse: Mapping[str, float]
    scatter: float
    points: int

    @property
    def flights(self) -> int:
        """How many flights told it."""
        return len(self.lapse)


@dataclass(frozen=True, slots=True, eq=False)
class _Flight:
    """One flight without what its own air tells: temperatures (n,), what lag and ram add to them (n, 2)."""

    read: Floats
    shared: Floats
    lapse: float


def fit_temperature(points: pd.DataFrame, *, ram_known: bool = False) -> TemperatureFit | None:
    """The fit to steady points (rows of Evidence.points); None where they do not tell it. ram_known: the recovery factor was given."""
    if any(name not in points for name in NEEDED):
        return None
    known = points[points[list(NEEDED)].notna().all(axis=1)]
    flights = {str(name): one for name, group in known.groupby("sortie") if (one := _flight(group)) is not None}
    if sum(len(one.read) for one in flights.values()) < FEWEST:
        return None
    believed = np.diag([USUAL_LAG**-2, (1e-4 if ram_known else USUAL_RAM) ** -2])
    answer, error, scatter = _solve(list(flights.values()), believed)
    if error[0] > MOST_UNSURE or scatter > MOST_SCATTER or not -2 * error[0] <= answer[0] <= LONGEST_LAG:
        return None
    return TemperatureFit(
        band_of(max(float(answer[0]), 0.0), float(error[0]), unit="s"), band_of(float(answer[1]), float(error[1]), unit="1"),
        {name: one.lapse for name, one in flights.items()}, scatter, sum(len(one.read) for one in flights.values()),
    )  # fmt: skip


def _flight(group: pd.DataFrame) -> _Flight | None:
    height, read, climb, true = (
        group[name].to_numpy(dtype=np.float64) for name in ("pressure_altitude", *NEEDED[:1], *NEEDED[2:])
    )
    if len(group) < FEWEST_OF_A_FLIGHT or np.ptp(height) < LEAST_HEIGHT:
        return None
    time = group["start_s"].to_numpy(dtype=np.float64)
    air = np.column_stack([np.ones(len(group)), (height - height.mean()) / 1000, (time - time.mean()) / 3600])
    lapse = float(np.linalg.lstsq(air, read, rcond=None)[0][1]) / 1000
    shared = np.column_stack([-lapse * climb, true**2 / (2 * SPECIFIC_HEAT_AIR)])
    base = np.linalg.qr(air)[0]
    return _Flight(read - base @ (base.T @ read), shared - base @ (base.T @ shared), lapse)


def _solve(flights: list[_Flight], believed: Floats) -> tuple[Floats, Floats, float]:
    """((lag, ram), their standard errors, scatter of single points [K]); points far off count less."""
    read = np.concatenate([one.read for one in flights])
    shared = np.vstack([one.shared for one in flights])
    first = np.cumsum([0, *(len(one.read) for one in flights[:-1])])
    weight, scatter = np.ones(len(read)), 0.5
    answer, covariance = np.zeros(2), np.linalg.inv(believed)
    for _ in range(ROUNDS):
        covariance = np.linalg.inv((shared.T * weight) @ shared / scatter**2 + believed)
        answer = covariance @ (shared.T * weight) @ read / scatter**2
        residual = read - shared @ answer
        freedom = max(len(read) - 3 * len(flights) - 2, 1)
        scatter = max(float(np.sqrt(np.sum(weight * residual**2) / freedom)), 0.02)
        weight = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(residual), 1e-9))
    scores = np.add.reduceat(shared * (weight * residual)[:, np.newaxis], first, axis=0) / scatter**2
    between = covariance @ (scores.T @ scores) @ covariance * len(flights) / max(len(flights) - 1, 1)
    error = np.sqrt(np.maximum(np.diag(covariance), np.diag(between)))
    return answer, np.hypot(error, LEAST_ERRORS), scatter


def settled(points: pd.DataFrame, fit: TemperatureFit | None) -> pd.DataFrame:
    """Points with their temperature put right, and with it rates of climb and sink and true airspeed; as they are without a fit.

    A flight that did not tell its own lapse takes the mean of the others.
    """
    if fit is None or not len(points):
        return points
    mean = float(np.mean(list(fit.lapse.values())))
    lapse = points["sortie"].map(lambda name: fit.lapse.get(str(name), mean)).astype(float)
    read, climb, true = (points[name] for name in ("static_air_temperature", "geometric_climb_rate", "true_airspeed"))
    temperature = read + fit.lag.value * lapse * climb - fit.ram.value * true**2 / (2 * SPECIFIC_HEAT_AIR)
    ratio = (temperature / read).fillna(1.0)
    return points.assign(
        static_air_temperature=temperature.fillna(read), geometric_climb_rate=climb * ratio,
        sink_rate=points["sink_rate"] - climb.fillna(0.0) * (ratio - 1), true_airspeed=true * np.sqrt(ratio),
    )  # fmt: skip
