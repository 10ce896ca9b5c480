"""What a propeller that brakes does to drag areas: by how fast it turns for the airspeed, and by the density of the air.

With the blades at one angle a propeller's drag area is a function of its advance ratio alone, so of revolutions per
metre flown: the faster it turns at a speed, the less it brakes. An idling engine turns it faster in thicker air, where
it breathes more, so that drag areas of glides at several heights differ by several per cent. Two ways to tell it:
against the revolutions per metre (`turning`, where the approach's own are measured too), and against density itself
(`fit_density_effect`, which needs no engine speed and holds for a governed propeller, whose blade angle moves).
Source: SFTE Reference Handbook, 3rd ed. 2013, section 6 (advance ratio, thrust and power coefficients).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .conditions import FINE_STOP_SHARE

Floats = NDArray[np.float64]

RATIO_TELLS = 0.004  # spread of r / r0 that tells what turning faster does
USUAL_INDUCED = 0.004  # k [1/m2] of a light aircraft: to size what is left
PRIOR_SHARE = 0.7  # of the parasite area, by which a whole density may change it: one standard deviation before any glide; common practice, no source
TOLD_SHARE = 0.5  # of that: a slope known better than this is told by the glides
FLIGHT_SHARE = 0.012  # of the drag, by which a flight as a whole may be off; common practice, no source
ROUNDS = 6
FAR = 2.5  # errors a point may lie off before it counts less
DENSITY_MARGIN = 0.03  # of the density ratio: beyond the densities measured nothing is told


@dataclass(frozen=True, slots=True)
class DensityEffect:
    """By how much drag area falls for thicker air: slope [m2] per unit of density ratio, with its standard error.

    reference: density ratio areas are carried to; low, high: those measured. told: whether the glides tell it, or
    the error is mostly what was thought possible beforehand.
    """

    slope: float
    error: float
    reference: float
    low: float
    high: float
    told: bool

    def area(self, density_ratio: Floats | float) -> Floats:
        """Drag area at a density ratio over that at the reference [m2]."""
        return np.asarray(self.slope * (self.reference - np.asarray(density_ratio, dtype=np.float64)))

    def reaches(self, density_ratio: float) -> bool:
        """Whether a density ratio lies within those measured."""
        return self.low - DENSITY_MARGIN <= density_ratio <= self.high + DENSITY_MARGIN


def density_ratio_of(points: pd.DataFrame) -> Floats:
    """Density over that of sea level at each point, (n,), from equivalent and true airspeed."""
    speeds = points["equivalent_airspeed"] / points["true_airspeed"]
    return np.asarray(speeds, dtype=np.float64) ** 2


def fit_density_effect(glides: pd.DataFrame, areas: tuple[Floats, Floats, Floats], reference: float) -> DensityEffect:
    """The slope common to glides of one propulsion state, each condition with a level and each flap with an induced part.

    glides: rows with sortie, condition, flap and airspeeds; areas: (L/q, D/q, standard error of D/q) [m2], (n,) each.
    Points far off count less, points of one flight may be off together. What density spreads too little to tell
    stays near zero with the error of what was thought possible beforehand.
    """
    lift, area, error = areas
    ratio = density_ratio_of(glides)
    prior = PRIOR_SHARE * float(np.median(np.abs(area - USUAL_INDUCED * lift**2)))
    design = np.column_stack([_levels(glides, lift), reference - ratio])
    size = np.maximum(np.linalg.norm(design, axis=0), 1e-12)
    believed = np.zeros((design.shape[1], design.shape[1]))
    believed[-1, -1] = 1 / (prior * size[-1]) ** 2
    answer, covariance = _fit(design / size, (area, error), glides["sortie"].to_numpy(), believed)
    slope, spread = float(answer[-1] / size[-1]), float(np.sqrt(covariance[-1, -1]) / size[-1])
    return DensityEffect(slope, spread, reference, float(ratio.min()), float(ratio.max()), spread < TOLD_SHARE * prior)


def _levels(glides: pd.DataFrame, lift: Floats) -> Floats:
    """A column for each condition's level, one for each flap's induced part."""
    columns = [np.asarray(glides["condition"] == one, dtype=np.float64) for one in sorted(set(glides["condition"]))]
    columns += [np.asarray(glides["flap"] == one, dtype=np.float64) * lift**2 for one in sorted(set(glides["flap"]))]
    return np.stack(columns, axis=1)


def _fit(
    design: Floats, measured: tuple[Floats, Floats], flights: NDArray[np.object_], believed: Floats
) -> tuple[Floats, Floats]:
    """(answer, covariance) by least squares with errors shared inside flights; believed: information there was before.

    Least squares with correlated errors: the square root of their covariance makes them independent and alike.
    """
    area, error = measured
    shared = (flights[:, np.newaxis] == flights[np.newaxis, :]) * np.outer(area, area) * FLIGHT_SHARE**2
    own, scale = error, 1.0
    for _ in range(ROUNDS):
        white = np.linalg.inv(np.linalg.cholesky(shared + np.diag(own**2))) / scale
        matrix, wanted = white @ design, white @ area
        covariance = np.linalg.pinv(matrix.T @ matrix + believed, hermitian=True)
        answer = covariance @ matrix.T @ wanted
        freedom = max(len(area) - design.shape[1], 1)
        scale *= max(1.0 / scale, float(np.sqrt(np.sum((wanted - matrix @ answer) ** 2) / freedom)))
        own = error * np.sqrt(np.maximum(1.0, np.abs(area - design @ answer) / error / FAR))
    return np.asarray(answer), np.asarray(covariance)


def is_fine(ratio: Floats) -> NDArray[np.bool_]:
    """Whether the propeller turned as fast as it ever does for the speed, (n,): on its fine stop, or of fixed pitch.

    ratio: engine revolutions per metre [1/m]; NaN counts as fine, as nothing tells otherwise.
    """
    known = ratio[np.isfinite(ratio)]
    if not len(known):
        return np.ones(len(ratio), dtype=bool)
    return ~(ratio < FINE_STOP_SHARE * float(np.quantile(known, 0.9)))


def turning(ratio: Floats) -> tuple[float, Floats | None]:
    """(mean revolutions per metre r0, r / r0 - 1 of each glide); None where they are not known or differ too little to tell.

    r0 is NaN where any is unknown.
    """
    middle = float(np.mean(ratio)) if len(ratio) and np.isfinite(ratio).all() else float("nan")
    relative = ratio / middle - 1
    tells = np.isfinite(middle) and float(np.std(relative)) > RATIO_TELLS
    return middle, np.asarray(relative, dtype=np.float64) if tells else None
