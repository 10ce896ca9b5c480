"""What the airspeed system reads wrong, from all steady points together: no turn and no set of legs is needed.

Every wings-level point of a flight flies through that flight's wind, taken as a straight line over height. With W the
wind, Vg the velocity over the ground and w the rate of climb, |Vg - W| is the horizontal part of true airspeed:

    |Vg - W(h)|^2 = V^2 (1 + c / Vc)^2 - w^2        c = common + slope (Vc - mean) + d(gear, flap)

One point tells one number, so that a flight with points on several tracks and of several heights tells its four of wind
and leaves the rest for c, which all flights share. Configurations read alike within UNLIKE. Solved flight by flight
(Schur complement), points far off count less, and flights are what errors are reckoned from.
Source: D. Gray, Using GPS to accurately establish true airspeed, 1998, carried from legs to all points with a wind for each flight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.physics.wind import velocity_components
from ...shared.units import to_si
from .bands import Band, band_of
from .calibration import type_b_of_scale
from .conditions import conditions_of
from .evidence import Evidence

Floats = NDArray[np.float64]
Key = tuple[str, str]  # gear, flap

NEEDED = (
    "true_airspeed",
    "ground_speed",
    "track_true",
    "calibrated_airspeed",
    "pressure_altitude",
    "geometric_climb_rate",
)
FEWEST = 12  # points, below which nothing is tried
USUAL_WIND = 30.0  # standard deviation of a wind component before any point [m/s]; common practice, no source
USUAL_SHEAR = 4e-3  # of its change over height [1/s]; common practice, no source
USUAL_ERROR = to_si(5.0, "kt")  # of an airspeed system nobody calibrated; common practice, no source
UNLIKE = to_si(1.0, "kt")  # by which gear and flaps change what it reads; common practice, no source
USUAL_SLOPE = 0.05  # kt of it per kt; common practice, no source
LEAST_SCATTER, MOST_SCATTER = to_si(0.2, "kt"), to_si(1.5, "kt")  # of single points: the air of a minute
MOST_UNSURE = to_si(0.75, "kt")  # standard uncertainty of the correction, above which it is not told
HUBER = 2.0
ROUNDS = 15
FLIGHTS_THAT_TELL = 4  # what flights differ by is seen from so many on


@dataclass(frozen=True, slots=True, eq=False)
class AirspeedFit:
    """c as above. answer: (common, slope, d of each key), SI; covariance of it, what flights tell of it (of rank flights); scatter of points [m/s].

    counts: points of each key; speeds: slowest and fastest calibrated airspeed of each [m/s].
    """

    keys: tuple[Key, ...]
    centre: float
    answer: Floats
    covariance: Floats
    by_flights: Floats
    scatter: float
    type_b_share: float
    counts: tuple[int, ...]
    speeds: tuple[tuple[float, float], ...]
    flights: int

    def correction(self, gear: str, flap: str, airspeed: float) -> Band:
        """What to add to a calibrated airspeed [m/s] as recorded; configurations without points read like all others within UNLIKE."""
        row = self._row((gear, flap), airspeed)
        unlike = 0.0 if (gear, flap) in self.keys else UNLIKE
        error = float(np.hypot(self._error(row), unlike))
        return band_of(float(row @ self.answer), error, self.type_b_share * airspeed, unit="m/s")

    def unlikeness(self, one: Key, other: Key) -> float:
        """Standard uncertainty of the difference of two configurations' corrections [m/s]."""
        missing = sum(key not in self.keys for key in {one, other}) if one != other else 0
        return float(np.hypot(self._error(self._row(one, 0.0) - self._row(other, 0.0)), UNLIKE * missing**0.5))

    def _row(self, key: Key, airspeed: float) -> Floats:
        own = np.array([1.0 if one == key else 0.0 for one in self.keys])
        return np.concatenate([[1.0, airspeed - self.centre], own])

    def _error(self, row: Floats) -> float:
        variance = float(row @ self.covariance @ row)
        if self.flights >= FLIGHTS_THAT_TELL:
            variance = max(variance, float(row @ self.by_flights @ row))
        return float(np.sqrt(variance))


def fit_airspeed(evidence: Evidence) -> AirspeedFit | None:
    """The fit to one aircraft's steady points; None where they do not tell the correction."""
    points = conditions_of(evidence)
    if any(name not in points for name in NEEDED):
        return None
    known = points[list(NEEDED)].notna().all(axis=1) & (points["kind"] != "turn") & (points["calibrated_airspeed"] > 0)
    points = points[known & ~points["flap"].isin(["transit", "several"]) & ~points["gear"].isin(["transit", "several"])]
    if len(points) < FEWEST:
        return None
    problem = _Problem.of(points.sort_values(["sortie", "start_s"], kind="stable"))
    answer, covariance, by_flights, scatter = problem.solve()
    speeds = points["calibrated_airspeed"].groupby([points["gear"], points["flap"]])
    temperature = points.get("static_air_temperature", pd.Series(dtype=float)).mean()
    fit = AirspeedFit(
        problem.keys, problem.centre, answer, covariance, by_flights, scatter,
        type_b_of_scale(evidence, float(temperature)), tuple(int(speeds.size()[key]) for key in problem.keys),
        tuple((float(speeds.min()[key]), float(speeds.max()[key])) for key in problem.keys), len(problem.starts),
    )  # fmt: skip
    main = fit.keys[int(np.argmax(fit.counts))]
    told = fit.correction(*main, fit.centre).type_a <= MOST_UNSURE and scatter <= MOST_SCATTER
    return fit if told else None


def corrected(points: pd.DataFrame, fit: AirspeedFit | None) -> pd.DataFrame:
    """Points with their airspeeds and dynamic pressure put right, `recorded_airspeed` and `airspeed_error` [m/s] beside; as they are without a fit."""
    if fit is None or not len(points):
        return points
    recorded = points["calibrated_airspeed"].to_numpy(dtype=np.float64)
    rows = zip(points["gear"], points["flap"], recorded, strict=True)
    bands = [fit.correction(str(gear), str(flap), float(speed)) for gear, flap, speed in rows]
    factor = 1 + np.array([one.value for one in bands]) / recorded
    return points.assign(
        **{name: points[name] * factor for name in ("calibrated_airspeed", "equivalent_airspeed", "true_airspeed")},
        dynamic_pressure=points["dynamic_pressure"] * factor**2,
        recorded_airspeed=recorded,
        airspeed_error=[one.standard_uncertainty for one in bands],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """The points, flight after flight: velocity over the ground, airspeeds, climb, height from the flight's mean, class of each."""

    keys: tuple[Key, ...]
    centre: float
    starts: NDArray[np.int64]  # first point of each flight
    flight: NDArray[np.int64]
    ground: Floats  # (n, 2)
    true: Floats
    calibrated: Floats
    climb: Floats
    height: Floats
    shared: Floats  # (n, parameters): what each parameter adds to c

    @staticmethod
    def of(points: pd.DataFrame) -> _Problem:
        names = points["sortie"].to_numpy()
        starts = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1]]))
        counts = np.diff(np.append(starts, len(points)))
        flight = np.repeat(np.arange(len(starts)), counts)
        pairs = [(str(gear), str(flap)) for gear, flap in zip(points["gear"], points["flap"], strict=True)]
        keys = tuple(sorted(set(pairs)))
        calibrated, height = (
            points[name].to_numpy(dtype=np.float64) for name in ("calibrated_airspeed", "pressure_altitude")
        )
        centre = float(calibrated.mean())
        own = np.array([[pair == key for key in keys] for pair in pairs], dtype=np.float64)
        ground = np.stack(velocity_components(points["ground_speed"], points["track_true"]), axis=1)
        return _Problem(
            keys, centre, starts, flight, ground, points["true_airspeed"].to_numpy(dtype=np.float64), calibrated,
            points["geometric_climb_rate"].to_numpy(dtype=np.float64), height - (np.add.reduceat(height, starts) / counts)[flight],
            np.column_stack([np.ones(len(points)), calibrated - centre, own]),
        )  # fmt: skip

    def solve(self) -> tuple[Floats, Floats, Floats, float]:
        """(answer, its covariance, the same from what flights tell, scatter of single points [m/s])."""
        shared, wind = np.zeros(self.shared.shape[1]), np.zeros((len(self.starts), 4))
        believed = np.diag([USUAL_ERROR**-2, USUAL_SLOPE**-2, *[UNLIKE**-2] * len(self.keys)])
        scatter = to_si(1.0, "kt")
        whole, scores = believed, np.zeros((1, len(shared)))
        for _ in range(ROUNDS):
            residual, by_wind, by_shared = self._linear(shared, wind)
            weight = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(residual), 1e-9)) / scatter**2
            block, coupling = self._sum(weight, by_wind, by_wind), self._sum(weight, by_wind, by_shared)
            block = block + np.diag([USUAL_WIND**-2] * 2 + [USUAL_SHEAR**-2] * 2)
            pull = self._sum(weight, by_wind, residual[:, np.newaxis])[:, :, 0]
            pull = pull + wind * np.array([USUAL_WIND**-2] * 2 + [USUAL_SHEAR**-2] * 2)
            free = np.linalg.solve(block, np.concatenate([coupling, pull[:, :, np.newaxis]], axis=2))
            own = self._sum(weight, by_shared, by_shared) - np.swapaxes(coupling, 1, 2) @ free[:, :, :-1]
            scores = self._sum(weight, by_shared, residual[:, np.newaxis])[:, :, 0]
            scores = scores - np.einsum("fij,fi->fj", coupling, free[:, :, -1])
            whole = own.sum(axis=0) + believed
            step = -np.linalg.solve(whole, scores.sum(axis=0) + believed @ shared)
            shared = shared + step
            wind = wind - free[:, :, -1] - free[:, :, :-1] @ step
            freedom = max(len(residual) - 4 * len(self.starts) - len(self.keys), len(residual) / 4)
            scatter = max(LEAST_SCATTER, float(np.sqrt(np.sum(weight * scatter**2 * residual**2) / freedom)))
        covariance = np.linalg.inv(whole)
        few = len(scores) / max(len(scores) - 1, 1)
        return shared, covariance, few * covariance @ (scores.T @ scores) @ covariance, scatter

    def _linear(self, shared: Floats, wind: Floats) -> tuple[Floats, Floats, Floats]:
        """(residual [m/s], its derivative by the flight's wind (n, 4), by what all flights share (n, parameters))."""
        own = wind[self.flight]
        through = self.ground - own[:, :2] - own[:, 2:] * self.height[:, np.newaxis]
        speed = np.maximum(np.hypot(through[:, 0], through[:, 1]), 0.1)
        true = self.true * (1 + self.shared @ shared / self.calibrated)
        level = np.sqrt(np.maximum(true**2 - self.climb**2, 1.0))
        along = through / speed[:, np.newaxis]
        by_wind = -np.concatenate([along, along * self.height[:, np.newaxis]], axis=1)
        by_shared = -(true / level * self.true / self.calibrated)[:, np.newaxis] * self.shared
        return speed - level, by_wind, by_shared

    def _sum(self, weight: Floats, left: Floats, right: Floats) -> Floats:
        """Sums of weighted products over each flight, shape (flights, columns of left, columns of right)."""
        products = (weight[:, np.newaxis] * left)[:, :, np.newaxis] * right[:, np.newaxis, :]
        return np.asarray(np.add.reduceat(products, self.starts, axis=0))
