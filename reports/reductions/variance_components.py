"""How much of a scatter lies within a flight, between flights of a day and between days: variance components.

Model: value = design @ unknowns + day + flight + point, each random about zero and independent; a point's variance is
that of the points over its weight. Sums of squares are taken one after another, each after what stands before it
(the design, days, flights), set equal to what they are expected to be, and solved: the method of moments for
unbalanced nests, unbiased, in a balanced nest the usual analysis of variance. Estimates may come out negative.
Sources: S. Searle, G. Casella and C. McCulloch, Variance Components, 1992, sections 3.6 and 5.5; C. Henderson,
Estimation of variance and covariance components, Biometrics 9 (1953), 226-252, method 3.
Bands: each sum of squares taken as a multiple of chi-square, its degrees of freedom by F. Satterthwaite, An
approximate distribution of estimates of variance components, Biometrics Bulletin 2 (1946), 110-114; what its draws
give for the component (generalised confidence intervals: S. Weerahandi, JASA 88 (1993), 899-905).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bands import Band

Floats = NDArray[np.float64]

DRAWS = 4000
FEWEST_DEGREES = 2  # a component of fewer degrees of freedom is not told: its band would span a factor of thirty
_RANK = 1e-7  # share of the largest singular value, below which a direction is none


@dataclass(frozen=True, slots=True, eq=False)
class Nest:
    """Values (n,), the design fitted to them (n, p), weights (n,), the flight and the day of each (n,)."""

    value: Floats
    design: Floats
    weight: Floats
    flight: NDArray[np.int64]
    day: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Stratum:
    """A sum of squares, its degrees of freedom, and what the variances of its levels (points, flights, days) do to it.

    The stratum's covariance is a sum of matrices, one for each variance: traces holds theirs, (levels,), products the
    traces of their products by twos, (levels, levels).
    """

    square: float
    rank: int
    traces: Floats
    products: Floats

    def expected(self, variances: Floats) -> float:
        """Expected sum of squares for variances (points, flights, days)."""
        return float(self.traces @ variances[: len(self.traces)])

    def freedom(self, variances: Floats) -> float:
        """Satterthwaite's degrees of freedom for variances (points, flights, days), none of them negative."""
        own = variances[: len(self.traces)]
        total = float(own @ self.products @ own)
        return self.expected(variances) ** 2 / total if total > 0 else float(self.rank)


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Variances of (points, flights, days), negative or NaN (no degree of freedom) as they come, and bands of their roots.

    degrees: of freedom of each. deviations: standard deviations with bands, k = 2; zero where a variance is negative.
    """

    variances: Floats
    degrees: tuple[int, int, int]
    deviations: tuple[Band, Band, Band]

    def is_told(self, level: int) -> bool:
        """Whether there is enough to tell a level (0 points, 1 flights, 2 days) at all."""
        return self.degrees[level] >= FEWEST_DEGREES


def strata_of(nest: Nest) -> tuple[Stratum, Stratum, Stratum]:
    """The strata of points, flights and days: each the part of the values its level adds to those before it."""
    root = np.sqrt(nest.weight)[:, np.newaxis]
    design, value = _scaled(nest.design * root), nest.value * root[:, 0]
    days, flights = _members(nest.day) * root, _members(nest.flight) * root
    known = _basis(design, _largest(design))
    of_days = _basis(_outside(days, known), _largest(days))
    known = np.concatenate([known, of_days], axis=1)
    of_flights = _basis(_outside(flights, known), _largest(flights))
    known = np.concatenate([known, of_flights], axis=1)
    left = value - known @ (known.T @ value)
    rank = len(value) - known.shape[1]
    return (
        Stratum(float(left @ left), rank, np.array([rank], dtype=np.float64), np.array([[rank]], dtype=np.float64)),
        _stratum(of_flights, value, (flights,)),
        _stratum(of_days, value, (flights, days)),
    )


def components_of(nest: Nest, *, unit: str, seed: int) -> Components:
    """The variance components of a nest and the bands of their roots, in the value's unit."""
    strata = strata_of(nest)
    squares = np.array([[one.square for one in strata]])
    variances = _solve(strata, squares)[0]
    believed = np.maximum(np.nan_to_num(variances), 0.0)
    freedom = np.array([max(one.freedom(believed), 1e-3) if one.rank else 1.0 for one in strata])
    random = np.random.default_rng(seed)
    drawn = _solve(strata, squares * freedom / random.chisquare(freedom, size=(DRAWS, 3)))
    deviations = [_deviation(variances[i], drawn[:, i], unit) for i in range(3)]
    return Components(
        variances,
        (strata[0].rank, strata[1].rank, strata[2].rank),
        (deviations[0], deviations[1], deviations[2]),
    )


def _solve(strata: tuple[Stratum, ...], squares: Floats) -> Floats:
    """Variances (points, flights, days) from rows of sums of squares, both (n, 3); NaN for a level without any freedom.

    A level that cannot be solved for adds nothing to those after it.
    """
    out = np.full(squares.shape, np.nan)
    for level, stratum in enumerate(strata):
        if not stratum.rank:
            continue
        before = np.nan_to_num(out[:, :level]) @ stratum.traces[:level]
        out[:, level] = (squares[:, level] - before) / stratum.traces[level]
    return out


def _deviation(variance: float, drawn: Floats, unit: str) -> Band:
    if variance != variance:
        return Band(float("nan"), float("nan"), float("nan"), unit)
    low, high = np.sqrt(np.maximum(np.quantile(drawn, [0.025, 0.975]), 0.0))
    value = float(np.sqrt(max(variance, 0.0)))
    return Band(value, min(float(low), value), max(float(high), value), unit)


def _stratum(basis: Floats, value: Floats, levels: tuple[Floats, ...]) -> Stratum:
    parts = [basis.T, *(basis.T @ members for members in levels)]
    shapes = [part @ part.T for part in parts]
    products = np.array([[np.sum(one * other) for other in shapes] for one in shapes])
    square = float(np.sum(np.square(basis.T @ value)))
    return Stratum(square, basis.shape[1], np.array([np.trace(shape) for shape in shapes]), products)


def _members(codes: NDArray[np.int64]) -> Floats:
    """A column of ones and zeros for each code, (n, codes)."""
    return np.asarray(codes[:, np.newaxis] == np.unique(codes)[np.newaxis, :], dtype=np.float64)


def _scaled(matrix: Floats) -> Floats:
    return np.asarray(matrix / np.maximum(np.linalg.norm(matrix, axis=0), 1e-300))


def _outside(matrix: Floats, basis: Floats) -> Floats:
    """The part of each column no column of an orthonormal basis makes up; twice, against rounding."""
    once = matrix - basis @ (basis.T @ matrix)
    return np.asarray(once - basis @ (basis.T @ once))


def _largest(matrix: Floats) -> float:
    return float(np.linalg.norm(matrix, 2)) if matrix.size else 0.0


def _basis(matrix: Floats, largest: float) -> Floats:
    """Orthonormal columns that span a matrix, as far as they stand out against the largest singular value."""
    left, size, _ = np.linalg.svd(matrix, full_matrices=False)
    return np.asarray(left[:, size > _RANK * largest])
