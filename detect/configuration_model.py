"""How much each setting of gear and flap moves the zero-lift angle and adds drag, learned from the flight itself.

Least squares with a prior: where one flight cannot tell two things apart (gear and flap that always move
together, a power setting flown once), what is usual of light aircraft decides. The priors, as coefficients of drag:

clean     0.025 within 30 %
gear      0.018 within 15 % (a leg and wheel each side and a nose wheel: common practice, no source)
flap      0.2 dCL^2 within 20 % and a little: a flap's drag goes with sin^2 of its angle, its lift with the sine
          (A. D. Young, The aerodynamic characteristics of flaps, ARC R&M 2622, 1953); the factor covers
          plain and split flaps on about half the span; common practice, no source
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..shared.recording import Floats
from .response import LIFT_CURVE, SCALE, Response
from .robust import median_of, medians_along
from .signal import Flags, Indices

CLEAN_DRAG, CLEAN_WITHIN = 0.025, 0.3
GEAR_DRAG, GEAR_WITHIN = 0.018, 0.15
FLAP_FACTOR, FLAP_WITHIN, FLAP_FLOOR = 0.2, 0.2, 0.004
CORRELATED_S = 20.0  # seconds of samples that count as one: gusts, and what the shapes do not catch
LEAST_ANGLE_NOISE_RAD = np.radians(0.3)
LEAST_DRAG_NOISE = 0.002
SPREAD_OF_STEP = 0.15  # share by which a step of drag varies with power and angle of attack
MOST_FLAP_DRAG = 0.15
NOISE_WINDOW_S = 60
FEWEST_NEAR = 20
FEWEST_FOR_SLOPE = 300
FAR = 4.0  # noises beyond which a sample does not take part in the fit
CAP = 9.0  # squared noises: no sample says more than this
SHARE = 0.5  # of a sample's squares that counts: neighbours are no independent witnesses


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """angles (k,): zero-lift angle of each flap setting [rad]. flap_drag (k,), gear_drag: per kPa of dynamic
    pressure, over weight. beyond (n,): drag beyond the clean aircraft's. The two noises (n,)."""

    angles: Floats
    flap_drag: Floats
    gear_drag: float
    beyond: Floats
    drag_noise: Floats
    angle_noise: Floats


def fit_model(r: Response, gear: Indices, flap: Indices, angles: Floats, *, trusted: Flags, noise: Floats) -> Model:
    """The model of states gear (0 up, 1 down) and flap (0..k-1), each (n,).

    angles: where a setting is not flown now. trusted: samples that take part. noise: drag's (n,).
    """
    k, p = len(angles), r.clean.shape[1]
    angles = _angles(r, flap, angles)
    lowered = [r.pressure * (flap == setting) for setting in range(1, k)]
    columns = np.column_stack([r.clean, *lowered, r.pressure * gear])
    mean, precision = _priors(r, angles, p)
    found = _solve(columns, r.drag, trusted & np.isfinite(r.drag), noise=noise, prior=(mean, precision))
    flap_drag = np.concatenate(([0.0], np.maximum.accumulate(np.clip(found[p : p + k - 1], 0.0, MOST_FLAP_DRAG))))
    gear_drag = float(np.clip(found[-1], 0.4 * mean[-1], 2.0 * mean[-1]))
    beyond = r.drag - r.clean @ found[:p]
    left = beyond - r.pressure * (gear_drag * gear + flap_drag[flap])
    return Model(
        angles, flap_drag, gear_drag, beyond,
        np.maximum(_scatter(left), LEAST_DRAG_NOISE),
        np.maximum(_scatter(r.offset - angles[flap]), LEAST_ANGLE_NOISE_RAD),
    )  # fmt: skip


def with_better_slope(r: Response, flap: Indices, angles: Floats) -> Response:
    """The response with the zero-lift angle freed of what still goes with lift inside one flap setting.

    The slope of lift is first taken from short changes, which noise flattens; once the settings are known whole
    speed ranges tell it. Scatter is kept from deciding: no sample counts beyond three noises.
    """
    left = r.offset - angles[flap]
    noise = np.maximum(r.noise, LEAST_ANGLE_NOISE_RAD)
    use = np.isfinite(left) & np.isfinite(r.measure)
    use &= np.abs(np.nan_to_num(left, nan=np.inf)) < 3.0 * noise
    if np.count_nonzero(use) < FEWEST_FOR_SLOPE:
        return r
    about = np.zeros(len(left))
    for setting in range(len(angles)):
        here = use & (flap == setting)
        if here.any():
            about[here] = r.measure[here] - r.measure[here].mean()
    weight = about[use] / noise[use] ** 2
    along = float(weight @ about[use])
    more = float(weight @ left[use]) / along if along > 0 else 0.0
    middle = median_of(r.measure[use])
    return replace(r, offset=r.offset - more * (r.measure - middle))


def state_costs(r: Response, model: Model, *, gears: int) -> Floats:
    """Cost of every state at every second, (n, gears x k): state gear x k + flap. A hole costs nothing."""
    out = []
    for gear in range(gears):
        for flap in range(len(model.angles)):
            added = r.pressure * (model.gear_drag * gear + model.flap_drag[flap])
            by_drag = (model.beyond - added) ** 2 / (model.drag_noise**2 + (SPREAD_OF_STEP * added) ** 2)
            by_angle = ((r.offset - model.angles[flap]) / model.angle_noise) ** 2
            out.append(SHARE * (_capped(by_drag) + _capped(by_angle)))
    return np.stack(out, axis=1)


def cost_of_noise(r: Response, model: Model) -> float:
    """What the noises themselves cost where they are large: with it the costs of different models can be compared."""
    drag, angle = model.drag_noise[np.isfinite(r.drag)], model.angle_noise[np.isfinite(r.offset)]
    return float(2.0 * SHARE * (np.log(drag).sum() + np.log(angle).sum()))


def drag_misfit(r: Response, model: Model, gear: Indices, flap: Indices, *, noise: Floats) -> float:
    """What the drag of a course leaves, in units of log-likelihood; seconds far off count no more than FAR noises."""
    left = model.beyond - r.pressure * (model.gear_drag * gear + model.flap_drag[flap])
    return float(np.nansum(np.minimum((left / noise) ** 2, FAR**2)) / (2.0 * CORRELATED_S))


def _capped(squares: Floats) -> Floats:
    return np.minimum(np.nan_to_num(squares, nan=0.0), CAP)


def _angles(r: Response, flap: Indices, before: Floats) -> Floats:
    out = before.copy()
    for setting in range(len(before)):
        here = r.offset[(flap == setting) & np.isfinite(r.offset)]
        if len(here):
            out[setting] = median_of(here)
    return out


def _priors(r: Response, angles: Floats, p: int) -> tuple[Floats, Floats]:
    """Mean and one over the variance of every coefficient; zero precision is no prior."""
    per_unit = SCALE / r.loading
    lift = LIFT_CURVE * np.maximum(angles[0] - angles[1:], 0.0)
    flap = FLAP_FACTOR * lift**2 * per_unit
    mean = np.concatenate(([CLEAN_DRAG * per_unit], np.zeros(p - 1), flap, [GEAR_DRAG * per_unit]))
    within = np.concatenate(
        ([CLEAN_WITHIN * mean[0]], np.full(p - 1, np.inf), FLAP_WITHIN * flap + FLAP_FLOOR, [GEAR_WITHIN * mean[-1]])
    )
    return mean, 1.0 / within**2


def _solve(columns: Floats, target: Floats, use: Flags, *, noise: Floats, prior: tuple[Floats, Floats]) -> Floats:
    """Weighted least squares with a prior, three times, samples far off left out in between."""
    mean, precision = prior
    found = mean
    if not use.any():
        return found
    for _ in range(3):
        rows, weight = columns[use], 1.0 / (noise[use] ** 2 * CORRELATED_S)
        weighted = rows * weight[:, None]
        normal = rows.T @ weighted + np.diag(precision)
        normal[np.diag_indices_from(normal)] *= 1.0 + 1e-9  # shapes not flown
        normal[np.diag_indices_from(normal)] += 1e-9
        found = np.asarray(np.linalg.solve(normal, weighted.T @ target[use] + precision * mean), dtype=np.float64)
        left = np.abs(target - columns @ found)
        typical = np.median(left[use]) / max(float(np.median(noise[use])), 1e-9)
        nearer = use & (np.nan_to_num(left, nan=np.inf) < FAR * noise * max(1.0, 1.5 * typical))
        if np.count_nonzero(nearer) < len(mean) * 6:
            break
        use = nearer
    return np.asarray(found)


def _scatter(left: Floats) -> Floats:
    """Usual size of what is left around each second, from windows of two minutes; the flight's where there is none."""
    return np.nan_to_num(1.4826 * medians_along(np.abs(left), NOISE_WINDOW_S, FEWEST_NEAR))
