"""What moving air leaves in doubt of a point's sink: slow lifts and gusts show in no instrument, only in how the sink wanders.

A log holds the motion over the ground; drag asks for the motion through the air. The energy-corrected sink s of a point
at one airspeed and power is that of still air less the air's vertical motion w, and a gust u along the flight path that
is there at one end and not at the other changes the airspeed without any energy: s = s0 - w + (V/g) du/dt.

Both are taken for turbulence of the Dryden form, isotropic, of the scale it has above 2000 ft, SCALE (MIL-F-8785C,
3.7.2): over a path of length a, in scales, vertical gusts correlate as exp(-a)(1 - a/2), those along the path as exp(-a).
By integration the mean of w over a varies by (1 - exp(-a))/a of its variance: longer and faster points average more.

Its size is told by the sortie itself: the means of s over neighbouring parts of a point, thirds or PART_S, differ by what the air
did, whatever the sink is. A point counts with its own differences and with those of the sortie's points, most with those near
its height, for what it has itself are two or three independent numbers. Where little can be told, an ordinary
day's size counts, and never less than a calm morning's. Waves and lifts much wider than a point is long show in
nothing at all; repeats on other days tell them.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np

from ..shared.findings import Segment, Statistic
from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.recording import Floats, Recording
from .signal import Indices

NAME = "vertical_air_motion"
SINK_CHANNELS = ("energy_climb_rate", "sink_rate")
SCALE = 533.4  # [m], 1750 ft
PART_S = 20.0
SLOWEST = 5.0  # [m/s], of a stretch somebody called a point on the ground
LIKE_HEIGHT = 450.0  # [m]; turbulence comes in layers of some 1500 ft: common practice, no source
ELSEWHERE = 0.05  # what a point at another height counts
POOLED = 6.0  # independent differences the sortie's points together count as beside a point's own: no source
CALM = 0.15  # [m/s] root mean square, 30 ft/min: what is left on the calmest morning; common practice, no source
ORDINARY = (0.4, 2.0)  # [m/s], 80 ft/min, and how many differences that is worth; common practice, no source
HEIGHTS = ("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_ellipsoid_altitude")
TOLD_FROM = ("true_airspeed", *HEIGHTS)  # the statistics of a point its air is told from

Found = Mapping[str, Statistic]


def share_of_mean(path: Floats) -> Floats:
    """Variance of the mean of vertical gusts over a path, in scales, as a share of their variance at one place."""
    return np.asarray(-np.expm1(-path) / path)


def share_of_ends(path: Floats) -> Floats:
    """Variance of what gusts along the path differ by at its ends, as a share of their variance at one place."""
    return np.asarray(-2.0 * np.expm1(-path))


def share_in_sink(speed: Floats, duration_s: Floats) -> Floats:
    """Variance of the mean sink over a stretch as a share of the gusts' variance; true airspeed [m/s]."""
    path = speed * duration_s / SCALE
    return share_of_mean(path) + share_of_ends(path) * (speed / (STANDARD_GRAVITY * duration_s)) ** 2


def share_in_difference(speed: Floats, part_s: Floats) -> Floats:
    """Variance of the difference of the mean sinks of two neighbouring parts as a share of the gusts' variance.

    Of vertical gusts 2 (v - c), with the variance v of one mean and the covariance c of two, and
    v(two parts) = (v + c)/2. Gusts along the path stand at three places, u1 - 2 u2 + u3.
    """
    path = speed * part_s / SCALE
    vertical = 4.0 * (share_of_mean(path) - share_of_mean(2.0 * path))
    along = 6.0 - 8.0 * np.exp(-path) + 2.0 * np.exp(-2.0 * path)
    return np.asarray(vertical + along * (speed / (STANDARD_GRAVITY * part_s)) ** 2)


class AirMotion:
    """How much the air moved in a sortie, as far as its points tell."""

    def __init__(self, recording: Recording, points: Sequence[Segment], found: Sequence[Found]) -> None:
        """points: the stretches it is told from; found: their statistics, with true airspeed and a height."""
        holders = recording.holders("sink_rate")
        self._means = _Means(holders[0].time_s, holders[0].columns["sink_rate"].values) if holders else None
        self._told = self._tell(points, found)

    def laid_over(self, segments: Sequence[Segment], found: Sequence[Found]) -> list[dict[str, Statistic]]:
        """Statistics of stretches with the air's motion as one of its own (mean zero), and in the sink's standard error."""
        own = self._tell(segments, found)
        variance = self._variance(own)
        error = np.sqrt(variance * share_in_sink(own.speed, own.duration_s))
        return [
            _with_motion(one, float(size), float(doubt), int(number))
            for one, size, doubt, number in zip(found, np.sqrt(variance), error, own.number, strict=True)
        ]

    def _variance(self, own: _Told) -> Floats:
        """Variance of the gusts [m2/s2] at each stretch: its own differences, those of the points, an ordinary day's."""
        ordinary, worth = ORDINARY
        told = self._told
        near = np.exp(-0.5 * ((own.height[:, None] - told.height[None, :]) / LIKE_HEIGHT) ** 2)
        weight = (np.where(np.isfinite(near), near, 0.0) + ELSEWHERE) * told.number
        pooled = (weight @ told.variance + worth * ordinary**2) / (weight.sum(axis=1) + worth)
        variance = (POOLED * pooled + own.number * own.variance) / (POOLED + own.number)
        return np.asarray(np.maximum(variance, CALM**2))

    def _tell(self, segments: Sequence[Segment], found: Sequence[Found]) -> _Told:
        start = np.array([one.start_s for one in segments], dtype=np.float64)
        duration = np.array([one.duration_s for one in segments], dtype=np.float64)
        speed = np.maximum(np.array([_mean(one, ("true_airspeed",)) for one in found], dtype=np.float64), SLOWEST)
        part = np.minimum(duration / 3.0, PART_S)
        squares = np.full(len(start), np.nan) if self._means is None else self._means.differences(start, duration, part)
        with np.errstate(invalid="ignore"):
            variance = squares / share_in_difference(speed, part)
        known = np.isfinite(variance)
        return _Told(
            speed, np.array([_mean(one, HEIGHTS) for one in found], dtype=np.float64), duration,
            np.where(known, variance, 0.0), np.where(known, duration / part - 1.0, 0.0),
        )  # fmt: skip


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """Stretches, arrays (n,): SI; the gusts' variance as each tells it alone and from how many differences (0: untold)."""

    speed: Floats
    height: Floats
    duration_s: Floats
    variance: Floats
    number: Floats


class _Means:
    """Means of a channel over any stretch of time from cumulative sums; NaN where more than half is missing."""

    def __init__(self, time_s: Floats, values: Floats) -> None:
        known = np.isfinite(values)
        self._time_s = time_s
        self._count = np.concatenate(([0], np.cumsum(known)))
        self._sum = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))

    def differences(self, start_s: Floats, duration_s: Floats, part_s: Floats) -> Floats:
        """Mean square of the differences of neighbouring parts' means over each stretch (n,), begun at every quarter part."""
        room = duration_s - 2 * part_s
        places = (room / part_s * 4 + 1e-9).astype(np.int64) + 1
        which = np.repeat(np.arange(len(start_s)), places)
        place = np.arange(len(which)) - np.repeat(np.cumsum(places) - places, places)
        begin = start_s[which] + place * part_s[which] / 4
        low, middle, high = (np.searchsorted(self._time_s, begin + k * part_s[which]) for k in range(3))
        change = self._mean(middle, high) - self._mean(low, middle)
        known = np.isfinite(change)
        number = np.bincount(which[known], minlength=len(start_s))
        total = np.bincount(which[known], change[known] ** 2, minlength=len(start_s))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(total / number)

    def _mean(self, low: Indices, high: Indices) -> Floats:
        count = self._count[high] - self._count[low]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._sum[high] - self._sum[low]) / count
        return np.where(2 * count > high - low, mean, np.nan)


def _with_motion(found: Found, size: float, doubt: float, number: int) -> dict[str, Statistic]:
    """Statistics with the air's motion; those without a sink as they are."""
    if "sink_rate" not in found or not np.isfinite(doubt):
        return dict(found)
    out = dict(found)
    for name in SINK_CHANNELS:
        if name in out:
            one = out[name]
            error = math.hypot(one.standard_error, doubt)
            out[name] = Statistic(
                one.mean, one.deviation, one.slope_per_s, error, one.count, one.unit, one.low, one.high
            )  # written out: replace() takes several times as long, for every point
    low = high = slope = float("nan")
    out[NAME] = Statistic(0.0, size, slope, doubt, number, out["sink_rate"].unit, low, high)
    return dict(sorted(out.items()))


def _mean(found: Found, names: Sequence[str]) -> float:
    return next((found[name].mean for name in names if name in found), float("nan"))
