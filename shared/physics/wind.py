"""True airspeed and wind from velocities over the ground.

Every method rests on one triangle: velocity over the ground is velocity through the air plus wind.
Wind components are those of the moving air (where it goes to), north and east positive; `wind_from`
gives the direction a wind is named by. All hold for level flight at steady airspeed in steady wind;
legs whose tracks lie on one line give NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_ITERATIONS = 50
_CONVERGED = 1e-10  # relative to the mean ground speed
_FLATTEST = 1e-4  # smallest over largest singular value of the derivatives that still tells scale from wind


def velocity_components(speed: ArrayLike, direction: ArrayLike) -> tuple[Floats, Floats]:
    """(north, east) components [m/s] of a speed [m/s] along a direction [rad] from north, clockwise."""
    length, angle = np.asarray(speed, dtype=np.float64), np.asarray(direction, dtype=np.float64)
    return length * np.cos(angle), length * np.sin(angle)


def wind_from(north: ArrayLike, east: ArrayLike) -> tuple[Floats, Floats]:
    """(speed [m/s], direction it blows from [rad], 0 to 2 pi) of wind components [m/s]."""
    to_north, to_east = np.asarray(north, dtype=np.float64), np.asarray(east, dtype=np.float64)
    return np.hypot(to_north, to_east), np.arctan2(-to_east, -to_north) % (2 * np.pi)


def solve_three_legs(ground_speed: ArrayLike, track: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """(true airspeed, wind north, wind east) [m/s] from three legs' ground speeds [m/s] and true tracks [rad].

    Shape (..., 3) -> three of (...). The centre of the circle through the tips of the three velocity
    vectors is the wind, its radius the true airspeed; all legs at one airspeed, any three directions.
    Source: D. Gray, Using GPS to accurately establish true airspeed, 1998.
    """
    north, east = velocity_components(ground_speed, track)
    # difference of the circle's equation between leg 0 and legs 1, 2: two lines through the centre
    n1, n2 = north[..., 1] - north[..., 0], north[..., 2] - north[..., 0]
    e1, e2 = east[..., 1] - east[..., 0], east[..., 2] - east[..., 0]
    c1, c2 = (n1**2 + e1**2) / 2, (n2**2 + e2**2) / 2
    area = n1 * e2 - n2 * e1
    longest = np.maximum(n1**2 + e1**2, n2**2 + e2**2)
    usable = np.where(np.abs(area) > 1e-9 * longest, area, np.nan)
    dn, de = (c1 * e2 - c2 * e1) / usable, (n1 * c2 - n2 * c1) / usable
    return np.hypot(dn, de), north[..., 0] + dn, east[..., 0] + de


def solve_four_legs(ground_speed: ArrayLike, track: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """(true airspeed, wind north, wind east) [m/s], shape (4,) each: `solve_three_legs` of every three of four legs.

    Solution i uses legs i, i+1 and i+2 (counted round). See `mean_of_legs` for their mean and spread.
    Source: test-pilot-school four-leg spreadsheet method, after Gray 1998.
    """
    speed, angle = np.asarray(ground_speed, dtype=np.float64), np.asarray(track, dtype=np.float64)
    legs = np.array([[0, 1, 2], [1, 2, 3], [2, 3, 0], [3, 0, 1]])
    return solve_three_legs(speed[legs], angle[legs])


def mean_of_legs(true_airspeed: ArrayLike) -> tuple[float, float]:
    """(mean, sample standard deviation) [m/s] of the solutions' true airspeeds [m/s], shape (n,), n >= 2.

    Less than 1 kt of deviation over four legs is the usual mark of good data (same source as
    `solve_four_legs`).
    """
    values = np.asarray(true_airspeed, dtype=np.float64)
    return float(np.mean(values)), float(np.std(values, ddof=1))


def solve_headings_120_apart(ground_speed: ArrayLike) -> tuple[Floats, Floats]:
    """(true airspeed, wind speed) [m/s] from ground speeds [m/s], shape (..., 3), on HEADINGS 120 deg apart.

    Wind must be below the true airspeed. Source: E. Williams, Aviation Formulary, wind from three ground speeds.
    """
    squares = np.asarray(ground_speed, dtype=np.float64) ** 2
    mean_square = np.mean(squares, axis=-1)
    spread = np.sum((squares / mean_square[..., np.newaxis] - 1) ** 2, axis=-1) / 6
    part = 0.5 + np.sqrt(np.where(spread <= 0.25, 0.25 - spread, np.nan))
    return np.sqrt(mean_square * part), np.sqrt(mean_square * spread / part)


def solve_headings_90_apart(ground_speed: ArrayLike) -> tuple[Floats, Floats]:
    """(true airspeed, wind speed) [m/s] from ground speeds [m/s], shape (..., 3), on HEADINGS 90 deg apart, in turn.

    Wind must be below the true airspeed. Source: J. Lowry, Performance of Light Aircraft, p. 31.
    """
    squares = np.asarray(ground_speed, dtype=np.float64) ** 2
    first, second, third = squares[..., 0], squares[..., 1], squares[..., 2]
    half_sum = (first + third) / 2
    cross = np.hypot(third - first, 2 * second - first - third) / 4
    inside = half_sum**2 - 4 * cross**2
    airspeed = np.sqrt((half_sum + np.sqrt(np.where(inside >= 0, inside, np.nan))) / 2)
    return airspeed, cross / airspeed


def solve_perpendicular_tracks(ground_speed: ArrayLike) -> tuple[Floats, Floats]:
    """(true airspeed, wind speed) [m/s] from ground speeds [m/s], shape (..., 3), on TRACKS 90 deg apart, in turn.

    Source: SFTE Reference Handbook, 3rd ed. 2013, section 4 (horse-shoe tracks).
    """
    speed = np.asarray(ground_speed, dtype=np.float64)
    first, second, third = speed[..., 0], speed[..., 1], speed[..., 2]
    opposite = first * third / np.where(second > 0, second, np.nan)
    return np.hypot(np.hypot(first, third), np.hypot(second, opposite)) / 2, np.hypot(
        (first - third) / 2, (second - opposite) / 2
    )


def fit_scale_and_wind(north: ArrayLike, east: ArrayLike, *, airspeed: ArrayLike) -> tuple[Floats, Floats, float]:
    """Least squares of |Vg - W| = k V: (k [1], wind north, wind east [m/s]), their covariance, residual deviation [m/s].

    `north`, `east`: velocity over the ground [m/s]; `airspeed`: true airspeed as measured [m/s]; shape
    (n,) each; samples with a missing value are left out. Results: shapes (3,), (3, 3) and a float, the
    covariance for independent errors: samples close in time are not, so give legs or block means, or
    widen it. NaN throughout when fewer than three samples are left or their headings do not tell
    scale from wind; with exactly three the last two are NaN, nothing is left to judge by.
    Source: Gray 1998 extended to n legs and a scale factor; Gauss-Newton on |Vg - W| - k V.
    """
    samples = np.stack([np.asarray(part, dtype=np.float64) for part in (north, east, airspeed)])
    samples = samples[:, np.isfinite(samples).all(axis=0)]
    unsolved = np.full(3, np.nan), np.full((3, 3), np.nan), float("nan")
    level = float(np.mean(samples[2])) if samples.shape[1] >= 3 else 0.0
    if level <= 0.0:
        return unsolved
    estimate = _fit_circle(samples)
    for _ in range(_ITERATIONS):
        residual, slopes = _misfit(estimate, samples)
        step, _, _, singular = np.linalg.lstsq(slopes, -residual, rcond=None)
        if singular[-1] < _FLATTEST * singular[0]:
            return unsolved
        estimate = estimate + step
        if np.abs(step).max() < _CONVERGED * level:
            scaled = np.array([1 / level, 1.0, 1.0])
            covariance, deviation = _spread(estimate, samples)
            return estimate * scaled, covariance * np.outer(scaled, scaled), deviation
    return unsolved


def _fit_circle(samples: Floats) -> Floats:
    """First guess (radius, centre north, centre east) [m/s]: |Vg|^2 = 2 Vg.W + c is linear in W and c."""
    north, east, _ = samples
    design = np.stack([np.ones_like(north), 2 * north, 2 * east], axis=1)
    constant, to_north, to_east = np.linalg.lstsq(design, north**2 + east**2, rcond=None)[0]
    return np.array([np.sqrt(max(constant + to_north**2 + to_east**2, 0.0)), to_north, to_east])


def _misfit(estimate: Floats, samples: Floats) -> tuple[Floats, Floats]:
    """Residuals |Vg - W| - k V [m/s], shape (n,), and their derivatives by (k mean(V), W north, W east), (n, 3)."""
    north, east = samples[0] - estimate[1], samples[1] - estimate[2]
    shape = samples[2] / np.mean(samples[2])
    through_air = np.maximum(np.hypot(north, east), np.finfo(np.float64).tiny)
    slopes = np.stack([-shape, -north / through_air, -east / through_air], axis=1)
    return through_air - estimate[0] * shape, slopes


def _spread(estimate: Floats, samples: Floats) -> tuple[Floats, float]:
    """Covariance (3, 3) and residual standard deviation [m/s] of a fit; NaN when nothing is left over."""
    residual, slopes = _misfit(estimate, samples)
    left_over = len(residual) - 3
    if left_over == 0:
        return np.full((3, 3), np.nan), float("nan")
    variance = float(residual @ residual) / left_over
    return np.asarray(np.linalg.inv(slopes.T @ slopes) * variance, dtype=np.float64), float(np.sqrt(variance))
