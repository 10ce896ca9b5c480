"""A number and the band it is told with.

Standard uncertainties of type A (from repeats and residuals) and type B (from calibration, resolution,
instruments) combine as the root of the sum of squares; a band is k = 2, about 95 %.
Source: JCGM 100:2008, Guide to the expression of uncertainty in measurement, clauses 4, 5 and 6.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite, nan

import numpy as np
from numpy.typing import ArrayLike

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True, slots=True)
class Band:
    """A value, SI, with the limits between which the truth lies in about 95 % of cases.

    type_a, type_b: the standard uncertainties it was made of, NaN where it was not made of such.
    """

    value: float
    low: float
    high: float
    unit: str
    type_a: float = nan
    type_b: float = nan

    @property
    def half_width(self) -> float:
        """Half the width of the band."""
        return (self.high - self.low) / 2

    @property
    def standard_uncertainty(self) -> float:
        """The half width over the coverage factor."""
        return self.half_width / COVERAGE_FACTOR

    @property
    def is_known(self) -> bool:
        """Whether there is a value with finite limits."""
        return isfinite(self.value) and isfinite(self.low) and isfinite(self.high)

    def holds(self, truth: float) -> bool:
        """Whether the band holds a value."""
        return self.low <= truth <= self.high


def band_of(value: float, type_a: float, type_b: float = 0.0, *, unit: str) -> Band:
    """Symmetric band from standard uncertainties of both types, in the value's unit."""
    half = COVERAGE_FACTOR * hypot(type_a, type_b)
    return Band(float(value), float(value - half), float(value + half), unit, float(type_a), float(type_b))


def band_of_draws(draws: ArrayLike, *, unit: str, value: float | None = None) -> Band:
    """Band from draws of a bootstrap or Monte Carlo, shape (n,): 2.5 % and 97.5 % quantiles; value: the median unless given."""
    known = np.asarray(draws, dtype=np.float64)
    known = known[np.isfinite(known)]
    if len(known) < 2:
        return Band(nan if value is None else value, nan, nan, unit)
    low, middle, high = np.quantile(known, [0.025, 0.5, 0.975])
    return Band(float(middle) if value is None else float(value), float(low), float(high), unit)


def widened(band: Band, type_b: float) -> Band:
    """The band with a further standard uncertainty of type B [the band's unit] in it, each side for itself."""
    down = hypot(band.value - band.low, COVERAGE_FACTOR * type_b)
    up = hypot(band.high - band.value, COVERAGE_FACTOR * type_b)
    b = hypot(0.0 if band.type_b != band.type_b else band.type_b, type_b)
    return Band(band.value, band.value - down, band.value + up, band.unit, band.type_a, b)


def worth_telling(band: Band, share: float, of: float | None = None) -> Band:
    """The band, or UNKNOWN where half its width is more than a share of the value (of another value, when given)."""
    measure = abs(band.value if of is None else of)
    return band if band.is_known and band.half_width <= share * measure else UNKNOWN


UNKNOWN = Band(nan, nan, nan, "1")
