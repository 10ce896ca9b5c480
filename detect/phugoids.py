"""Phugoids: speed and height swing against each other, slowly, at constant configuration, wings level.

Found by what makes the motion: successive peaks of the airspeed as far apart as half the phugoid's
period at that true airspeed (Lanchester's pi sqrt(2) V / g, real aircraft some 10-30 % longer), with
height swings of the opposite sign and of the size energy asks for, dh = -V dV / g. Whether the
stick was free or fixed is not in the log. 14 CFR Part 60 table A2A 2.c.9 asks for three cycles
(six overshoots); fewer are measured here too, and `cycles` says how many.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Manoeuvre, Segment
from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.physics.oscillation import phugoid_period, time_to_half
from ..shared.recording import Floats
from .damping import NEEDED_PEAKS, Decay, FittedDecay, decay_of_peaks, fit_damped_cosine, turning_points
from .motion import Motion
from .robust import median_of
from .signal import Flags, Indices, smooth

DETECTOR = "phugoids/1"
PACE_S = 1.0
MEAN_S = 2.0
LEAST_SWING = 1.0  # m/s (2 kt), of one half cycle; common practice, no source
HALF_PERIODS = (0.35, 0.95)  # spacing of peaks in Lanchester's periods
ENERGY_SHARE = (0.5, 1.6)  # height swing over what the speed swing's energy makes of it
EVEN = 1.5  # a spacing over the one before, or the reverse
GROWTH = 1.35  # a swing over the one before
DECAY = 0.25
WINGS_RAD = np.radians(15.0)
EXPLAINED = 0.9


def find_phugoids(motion: Motion, steady: Flags) -> tuple[Manoeuvre, ...]:
    """Phugoids in time order. steady: where the configuration and power stay the same, flag (n,)."""
    if motion.airspeed_channel is None or motion.height_channel is None or not len(motion.time_s):
        return ()
    pace = motion.samples(PACE_S)
    with np.errstate(invalid="ignore"):
        calm = motion.airborne & steady & ~(np.abs(motion.bank) > WINGS_RAD)
    speed = np.where(calm, smooth(motion.airspeed, motion.samples(MEAN_S)), np.nan)[::pace]
    peaks = turning_points(speed, LEAST_SWING)
    broken = np.concatenate(([0], np.cumsum(~np.isfinite(speed))))
    found = []
    for first, stop in _chains(motion, peaks * pace, speed[peaks], broken[peaks]):
        one = _phugoid(motion, speed, peaks[first:stop], pace)
        if one is not None:
            found.append(one)
    return tuple(found)


def _chains(motion: Motion, places: Indices, levels: Floats, broken: Indices) -> list[tuple[int, int]]:
    """Stretches of peaks [first, stop) that follow each other as a phugoid's do, at least three."""
    if len(places) < NEEDED_PEAKS:
        return []
    spacing = np.diff(motion.time_s[places])
    swing = np.diff(levels)
    period = phugoid_period(0.5 * (motion.true_airspeed[places[1:]] + motion.true_airspeed[places[:-1]]))
    due = -swing * motion.true_airspeed[places[1:]] / STANDARD_GRAVITY
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.diff(motion.height[places]) / due
        fits = (spacing > HALF_PERIODS[0] * period) & (spacing < HALF_PERIODS[1] * period)
        fits &= (share > ENERGY_SHARE[0]) & (share < ENERGY_SHARE[1]) & (np.diff(broken) == 0)
        longer, larger = spacing[1:] / spacing[:-1], np.abs(swing[1:] / swing[:-1])
    joined = (longer < EVEN) & (longer > 1 / EVEN) & (larger < GROWTH) & (larger > DECAY) & fits[1:] & fits[:-1]
    chains = []
    k = 0
    while k < len(joined):
        stop = k
        while stop < len(joined) and joined[stop]:
            stop += 1
        if stop > k:
            chains.append((k, stop + 2))
        k = max(stop, k + 1)
    return chains


def _phugoid(motion: Motion, speed: Floats, peaks: Indices, pace: int) -> Manoeuvre | None:
    """Measured from its first peak to a quarter period past its last, as far as the record is whole."""
    quarter = round(float(np.mean(np.diff(peaks))) / 2)
    stop = int(peaks[-1])
    while stop < min(len(speed) - 1, peaks[-1] + quarter) and np.isfinite(speed[stop + 1]):
        stop += 1
    first = int(peaks[0])
    times, values = motion.time_s[::pace][first : stop + 1], speed[first : stop + 1]
    fit = fit_damped_cosine(times, values, 2 * float(np.mean(np.diff(times[peaks - first]))))
    if fit is None or fit.explained < EXPLAINED:
        return None
    by_peaks = decay_of_peaks(times[peaks - first], values[peaks - first], fit.residual)
    cycles = (len(peaks) - 1) / 2
    assert motion.airspeed_channel is not None and motion.height_channel is not None
    return Manoeuvre(
        Segment(float(times[0]), float(times[-1])),
        "phugoid",
        (motion.airspeed_channel, motion.height_channel),
        round(min(0.9, 0.3 + 0.2 * cycles), 2),
        DETECTOR,
        _facts(motion, fit, by_peaks, cycles, (first * pace, stop * pace)),
    )


def _facts(
    motion: Motion, fit: FittedDecay, by_peaks: Decay, cycles: float, span: tuple[int, int]
) -> dict[str, float | int | None]:
    true = median_of(motion.true_airspeed[span[0] : span[1] + 1])
    return {
        **decay_facts(fit, by_peaks),
        "cycles": cycles,
        "amplitude": fit.amplitude,
        "airspeed": float(np.nanmean(motion.airspeed[span[0] : span[1] + 1])),
        "true_airspeed": true,
        "lanchester_period_s": float(phugoid_period(true)),
        "height_m": median_of(motion.height[span[0] : span[1] + 1]),
    }


def decay_facts(fit: FittedDecay | None, by_peaks: Decay | None) -> dict[str, float | int | None]:
    """Both measurements side by side, with their standard errors; None for what could not be measured."""
    half = float(time_to_half(fit.decay.period_s, fit.decay.damping_ratio)) if fit else None
    return {
        "period_s": fit.decay.period_s if fit else None,
        "period_error_s": fit.decay.period_error_s if fit else None,
        "damping_ratio": fit.decay.damping_ratio if fit else None,
        "damping_ratio_error": fit.decay.damping_ratio_error if fit else None,
        "time_to_half_s": half if half is not None and np.isfinite(half) else None,
        "explained": fit.explained if fit else None,
        "period_by_peaks_s": by_peaks.period_s if by_peaks else None,
        "period_by_peaks_error_s": by_peaks.period_error_s if by_peaks else None,
        "damping_ratio_by_peaks": by_peaks.damping_ratio if by_peaks else None,
        "damping_ratio_by_peaks_error": by_peaks.damping_ratio_error if by_peaks else None,
    }
