"""When a stretch is steady enough to be measured, and what to say when it is not.

Each criterion measures any number of windows at once and gives the limit beside the measure;
a window is good when no measure exceeds its limit. Limits are in settings.PointCriteria:

minimum_duration            15 s: sink needs 15-30 s; shorter stretches are published only for other uses (snapshot of
                            5 s, 14 CFR Part 60 App. A; GNSS speed leg of about 10 s, SFTE Reference Handbook sec. 4)
airspeed_band               2.5 kt about the mean: between "within 1-2 kt" (Kolano, Experimenter, May 2013) and the 3 kt
                            of 14 CFR Part 60 App. A table A2A (1.d.4 idle descent, 1.c.2 climb)
airspeed_share              none; 3 % of the mean is what 14 CFR Part 36 B36.8(g) allows (shared/criteria_presets)
height_change               none; glides, climbs and descents of 14 CFR Part 60 are recorded over 1000 ft
airspeed_trend              0.07 kt/s: fakes 35 ft/min of sink at 95 kt true, dh/dt = (V/g) dV/dt
airspeed_drift              3 kt, trend times duration: common practice, no source
vertical_speed_deviation    150 ft/min or vertical_speed_share 6 %, root mean square: table A2A allows 5 % or 200 ft/min
                            (1.d.4), 5 % or 100 ft/min (1.c.2)
energy_rate_drift           200 ft/min or energy_rate_share 10 % over the point: table A2A's 200 ft/min (1.d.4) for what the
                            energy-corrected rate changes, beyond twice its standard error
bank, heading               6 deg, 12 deg in all: 5 deg either side (EU Part-FCL App. 9) and one for the sensor
level_vertical_speed        120 ft/min and level_altitude_band 60 ft: inside the 100 ft of Part-FCL App. 9
turn_bank, turn_bank_band   10 deg at least, 5 deg about the mean; turn_heading_change 180 deg at least, where a
                            heading is recorded: half a circle is needed for the wind to show from both sides, less is
                            a change of course; common practice, no source
engine_speed_share          3 % beyond the airspeed's own share, engine_speed_step 1 %: common practice, no source
engine_speed_scatter        0.25 % root mean square about what the airspeed explains, or one and a half times the tachometer's own
                            scatter: at one throttle setting a fixed-pitch propeller's speed rises with the airspeed, by
                            a power e of it: n^2 (c0 - c1 J^2) constant (torque coefficient falling with the square of
                            the advance ratio J) gives e = 1 - cQ / cQ(static): 0 for a governor, 0.4 to 0.6 in
                            cruise, 1 windmilling. What does not fit e between 0 and 0.7 (1 without power)
                            is the throttle. The figure: common practice, no source
manifold_pressure_share     2 % of ambient pressure in all, or of itself; manifold_pressure_step 1 %: common practice, no source
fuel_flow_share             8 % in all, fuel_flow_step 6 %, either beyond the flow meter's last digit, asked where there is no
                            manifold pressure: no source
hold_factor                 1.6: a point once begun is not cut by a disturbance beyond a limit of up to this times the
                            limit; common practice, no source
air_roughness               0.1 g root mean square over any 10 s; AMDAR calls peaks of 0.15-0.5 g light turbulence
                            (WMO-No. 958), which is about 0.05-0.2 g root mean square
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..shared.findings import Reason
from ..shared.recording import Floats
from ..shared.settings import PointCriteria, Settings
from ..shared.units import from_si
from .quantities import CLIMB_LINE_S, ENGINE_MEAN_S, ROUGHNESS_S, Quantities, beyond_digit
from .signal import Flags, Indices
from .windows import Series, Window

Measure = Callable[[Quantities, Indices, Indices, PointCriteria], tuple[Floats, Floats | float]]


@dataclass(frozen=True, slots=True)
class Criterion:
    """One thing that must hold. measure(q, i, j, limits) -> measured and allowed, SI.

    quantity: kind of quantity for display (a key of settings.DISPLAY_DEFAULTS), None for a bare
    number; per: what follows the unit ("/s"); words: how a person names it.
    """

    name: str
    words: str
    measure: Measure
    quantity: str | None = None
    unit: str | None = None
    per: str = ""
    digits: int = 1

    def reason(self, measured: float, limit: float, settings: Settings) -> Reason:
        """The refusal in words, in display units."""
        if self.unit == "1":
            shown, allowed, unit = 100 * measured, 100 * limit, "%"
        elif self.quantity is None:
            shown, allowed, unit = measured, limit, self.unit or ""
        else:
            unit = settings.display_unit(self.quantity)
            shown, allowed = from_si(measured, unit), from_si(limit, unit)
            unit += self.per
        text = f"{self.words} {shown:.{self.digits}f} {unit} > {allowed:.{self.digits}f} {unit}".replace("  ", " ")
        return Reason(self.name, measured, limit, self.unit, text.strip())


def _gap(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    known = np.minimum(q.airspeed.count(i, j), q.altitude.count(i, j))
    return np.asarray((j - i - known) * q.step_s, dtype=np.float64), 0.0


def _configuration(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return (q.configuration[j - 1] - q.configuration[i]).astype(np.float64), 0.0


def _unrecorded(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return (q.unrecorded[j - 1] - q.unrecorded[i]).astype(np.float64), 0.0


def _gear_moving(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return _moving(q, "gear", i, j), 0.0


def _flap_moving(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return _moving(q, "flap", i, j), 0.0


def _moving(q: Quantities, name: str, i: Indices, j: Indices) -> Floats:
    series = q.moving.get(name)
    if series is None:
        return np.zeros(len(i))
    samples = np.round(series.mean(i, j) * (j - i))  # a count: free of rounding
    return np.asarray(samples * q.step_s, dtype=np.float64)


def _airspeed_band(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, Floats | float]:
    mean = q.airspeed_mean.mean(i, j)
    off = np.maximum(q.airspeed_mean.highest(i, j) - mean, mean - q.airspeed_mean.lowest(i, j))
    return off, airspeed_allowance(c, mean) if c.airspeed_share else c.airspeed_band


def airspeed_allowance(limits: PointCriteria, mean: Floats) -> Floats:
    """How far [m/s] the airspeed may be off its mean [m/s]: the band, or the share of the mean where that is more."""
    return np.maximum(limits.airspeed_band, limits.airspeed_share * mean)


def _airspeed_trend(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return np.abs(q.airspeed.slope(i, j)) / q.step_s, c.airspeed_trend


def _airspeed_drift(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return np.abs(q.airspeed.slope(i, j)) * (j - i), c.airspeed_drift


def _vertical_speed(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, Floats]:
    allowed = np.maximum(c.vertical_speed_deviation, c.vertical_speed_share * np.abs(q.climb_rate.mean(i, j)))
    return q.climb_rate.deviation(i, j), allowed


def _energy_rate(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, Floats]:
    # gusts make the rate noisy: the change must exceed twice its own standard error to count, with
    # one independent sample for each line the rate was taken over
    allowed = np.maximum(c.energy_rate_drift, c.energy_rate_share * np.abs(q.climb_rate.mean(i, j)))
    independent = np.maximum((j - i) * q.step_s / CLIMB_LINE_S, 1.0)
    error = q.energy_rate.deviation(i, j) * np.sqrt(12.0 / independent)
    return np.maximum(np.abs(q.energy_rate.slope(i, j)) * (j - i) - 2 * error, 0.0), allowed


def _bank(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return np.maximum(q.bank.highest(i, j), -q.bank.lowest(i, j)), c.bank


def _heading(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return q.heading.width(i, j), c.heading


def _engine_speed(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    # a propeller that is not governed follows the airspeed: that share is the airspeed's, not the engine's
    return np.maximum(
        _share(q, i, j) - q.airspeed_mean.width(i, j) / q.airspeed_mean.mean(i, j), 0.0
    ), c.engine_speed_share


def _engine_scatter(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    # engine speed about a straight line in airspeed, both as logarithms: no airspeed change explains the rest
    limit = max(c.engine_speed_scatter, NOISE_FACTOR * q.engine_noise)
    most = np.where(q.without_power.mean(i, j) > 0.5, 1.0, MOST_WITH_POWER)
    return np.nan_to_num(q.engine_on_airspeed.residual(i, j, least=0.0, most=most)), limit


def _share(q: Quantities, i: Indices, j: Indices) -> Floats:
    mean = q.engine_speed.mean(i, j)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(mean > 0, q.engine_speed.width(i, j) / mean, 0.0)


def _manifold(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    # either the throttle stood still or the pressure itself was held, as in a climb
    return np.minimum(q.manifold_ratio.width(i, j), q.manifold_logarithm.width(i, j)), c.manifold_pressure_share


def _fuel_flow(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    if q.manifold_ratio.known.any():  # a better witness of power is there
        return np.zeros(len(i)), c.fuel_flow_share
    mean = q.fuel_flow.mean(i, j)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = beyond_digit(q.fuel_flow.width(i, j), q.flow_digit) / mean
    return np.where(mean > 0, share, 0.0), c.fuel_flow_share


def _engine_step(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return _inner_highest(q, q.engine_speed_step, ENGINE_MEAN_S, i, j), c.engine_speed_step


def _manifold_step(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return _inner_highest(q, q.manifold_step, ENGINE_MEAN_S, i, j), c.manifold_pressure_step


def _fuel_flow_step(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    if q.manifold_ratio.known.any():
        return np.zeros(len(i)), c.fuel_flow_step
    return _inner_highest(q, q.fuel_flow_step, ENGINE_MEAN_S, i, j), c.fuel_flow_step


def _roughness(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return _inner_highest(q, q.roughness, ROUGHNESS_S / 2, i, j), c.air_roughness


def _inner_highest(q: Quantities, series: Series, margin_s: float, i: Indices, j: Indices) -> Floats:
    # what is measured over some seconds near an edge is partly measured outside: only the inside counts
    margin = np.minimum(round(margin_s / q.step_s), (j - i - 1) // 2)
    return np.maximum(series.highest(i + margin, j - margin), 0.0)


def _height_change(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    if not c.height_change:
        return np.zeros(len(i)), 0.0
    return c.height_change - np.abs(q.climb_rate.mean(i, j)) * (j - i) * q.step_s, 0.0


def _level_rate(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return np.abs(q.climb_rate.mean(i, j)), c.level_vertical_speed


def _level_band(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return q.altitude.width(i, j) / 2, c.level_altitude_band


def _turn_bank(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    return c.turn_bank - np.abs(q.bank.mean(i, j)), 0.0


def _turn_steady(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    mean = q.bank.mean(i, j)
    return np.maximum(q.bank.highest(i, j) - mean, mean - q.bank.lowest(i, j)), c.turn_bank_band


def _turned_through(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> tuple[Floats, float]:
    through = np.nan_to_num(q.heading.width(i, j), nan=0.0, neginf=0.0)
    return np.where(through > 0.0, c.turn_heading_change - through, 0.0), 0.0


def _energy_surely(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> Flags:
    # a straight line's change over n samples is at most the deviation times root 12 n / root(n^2 - 1)
    independent = np.maximum((j - i) * q.step_s / CLIMB_LINE_S, 1.0)
    most = q.energy_rate.deviation(i, j) * np.sqrt(12.0) * (1.001 - 2.0 / np.sqrt(independent))
    return np.asarray((most <= c.energy_rate_drift) & (j - i >= 25) & (q.energy_rate.count(i, j) == j - i), dtype=bool)


def _scatter_surely(q: Quantities, i: Indices, j: Indices, c: PointCriteria) -> Flags:
    limit = max(c.engine_speed_scatter, NOISE_FACTOR * q.engine_noise)
    return np.asarray(q.engine_on_airspeed.scatter(i, j) <= limit * (1.0 - 1e-6), dtype=bool)


# what surely meets a criterion, told with less than the criterion takes
_BOUNDS: dict[str, Callable[[Quantities, Indices, Indices, PointCriteria], Flags]] = {
    "energy_rate": _energy_surely,
    "engine_speed_scatter": _scatter_surely,
}

COMMON: tuple[Criterion, ...] = (
    Criterion("gap", "not recorded or stuck for", _gap, unit="s"),
    Criterion("gear_moving", "gear in transit for", _gear_moving, unit="s"),
    Criterion("flap_moving", "flap in transit for", _flap_moving, unit="s"),
    Criterion("configuration", "gear or flap changes", _configuration, digits=0),
    Criterion("unrecorded_change", "energy rate and pitch change together", _unrecorded, digits=0),
    Criterion("airspeed_trend", "trend", _airspeed_trend, "speed", "m/s2", "/s", 2),
    Criterion("airspeed_drift", "airspeed drifts", _airspeed_drift, "speed", "m/s"),
    Criterion("airspeed_band", "airspeed off its mean by", _airspeed_band, "speed", "m/s"),
    Criterion("vertical_speed", "vertical speed scatter", _vertical_speed, "vertical_speed", "m/s", digits=0),
    Criterion("energy_rate", "energy-corrected rate changes by", _energy_rate, "vertical_speed", "m/s", digits=0),
    Criterion("engine_speed", "rpm changes by", _engine_speed, unit="1"),
    Criterion("engine_speed_scatter", "rpm not explained by the airspeed", _engine_scatter, unit="1", digits=2),
    Criterion("engine_speed_step", "rpm steps by", _engine_step, unit="1"),
    Criterion("manifold_pressure", "manifold pressure over ambient changes by", _manifold, unit="1"),
    Criterion("manifold_pressure_step", "manifold pressure over ambient steps by", _manifold_step, unit="1"),
    Criterion("fuel_flow", "fuel flow changes by", _fuel_flow, unit="1"),
    Criterion("fuel_flow_step", "fuel flow steps by", _fuel_flow_step, unit="1"),
    Criterion("air_roughness", "rough air: load factor scatter", _roughness, unit="g", digits=2),
)
WINGS_LEVEL: tuple[Criterion, ...] = (
    Criterion("bank", "bank", _bank, "angle", "rad"),
    Criterion("heading", "heading wanders", _heading, "angle", "rad"),
)
LEVEL: tuple[Criterion, ...] = (
    Criterion("level_rate", "climb or descent", _level_rate, "vertical_speed", "m/s", digits=0),
    Criterion("level_band", "altitude off its middle by", _level_band, "altitude", "m", digits=0),
)
BLOCK: tuple[Criterion, ...] = (
    Criterion("height_change", "height change short by", _height_change, "altitude", "m", digits=0),
)
STEADY_TURN: tuple[Criterion, ...] = (
    Criterion("turn_bank", "bank short of a turn by", _turn_bank, "angle", "rad"),
    Criterion("turn_steady", "bank off its mean by", _turn_steady, "angle", "rad"),
    Criterion("turn_through", "heading change short of a turn by", _turned_through, "angle", "rad"),
)
FAMILIES: dict[str, tuple[Criterion, ...]] = {
    "level": (*COMMON, *WINGS_LEVEL, *LEVEL),
    "slope": (*COMMON, *WINGS_LEVEL, *BLOCK),
    "turn": (*COMMON, *STEADY_TURN, *LEVEL),
}

# the same, those first that cost little and refuse most
_TELLING_FIRST: dict[str, tuple[Criterion, ...]] = {
    name: tuple(sorted(criteria, key=lambda c: c.name not in ("turn_bank", "level_rate")))
    for name, criteria in FAMILIES.items()
}


def weigh_windows(
    q: Quantities, family: str, i: Indices, j: Indices, limits: PointCriteria, known: Container[str] = ()
) -> Floats:
    """Weight of each window [i, j): zero when it breaks a criterion of the family, else below 1
    by the share of the steadiness allowances it uses up; duration is the search's.
    """
    out = np.zeros(len(i))
    keep = np.arange(len(i))
    if family == "slope":
        keep = keep[np.abs(q.climb_rate.mean(i, j)) > limits.level_vertical_speed]
        i, j = i[keep], j[keep]
    used, good = np.zeros(len(keep)), np.ones(len(keep), dtype=bool)
    for criterion in _TELLING_FIRST[family]:
        if criterion.name in known:
            continue
        if criterion.name in WEIGHED:
            measured, allowed = criterion.measure(q, i, j, limits)
            good &= ~(measured > allowed)
            used = np.maximum(used, measured / allowed)
        else:
            good &= _meets(criterion, q, i, j, limits)
        if np.count_nonzero(good) < FEW_LEFT * len(good):  # else the same arrays go on: their measures are remembered
            keep, used, i, j = keep[good], used[good], i[good], j[good]
            good = np.ones(len(keep), dtype=bool)
    out[keep[good]] = 1.0 - WEIGHT_LOSS * used[good] ** WEIGHT_POWER
    return out


def _meets(criterion: Criterion, q: Quantities, i: Indices, j: Indices, limits: PointCriteria) -> Flags:
    """Whether each window meets the criterion; measured only where a bound that costs less does not tell."""
    bound = _BOUNDS.get(criterion.name)
    doubtful = None if bound is None else np.flatnonzero(~bound(q, i, j, limits))
    if doubtful is None or 2 * len(doubtful) > len(i):
        measured, allowed = criterion.measure(q, i, j, limits)
        return np.asarray(~(measured > allowed), dtype=bool)
    out = np.ones(len(i), dtype=bool)
    measured, allowed = criterion.measure(q, i[doubtful], j[doubtful], limits)
    out[doubtful] = ~(measured > allowed)
    return out


def score_windows(q: Quantities, windows: Sequence[Window], limits: PointCriteria) -> list[float]:
    """For each window one minus the root mean square of the shares of its allowances used up, 0..1.

    The largest share would say nothing: a window is as long as it can be, so one is always used up.
    """
    squares, number = np.zeros(len(windows)), np.zeros(len(windows))
    for _, which, measured, allowed in measure_windows(q, windows, limits):
        asked = (allowed > 0) & np.isfinite(measured)  # of a channel that is not recorded nothing is known
        squares[which[asked]] += (measured[asked] / allowed[asked]) ** 2
        number[which[asked]] += 1
    return list(np.clip(1.0 - np.sqrt(squares / np.maximum(number, 1)), 0.0, 1.0).tolist())


def holds(q: Quantities, windows: Sequence[Window], limits: PointCriteria) -> list[bool]:
    """For each window whether it meets the criteria of its family, those of `SLACKENED` with `hold_factor` times the limits."""
    held = np.ones(len(windows), dtype=bool)
    for criterion, which, measured, allowed in measure_windows(q, windows, limits):
        slack = limits.hold_factor if criterion.name in SLACKENED else 1.0
        held[which] &= ~(measured > slack * allowed)
    return list(held.tolist())


def measure_windows(
    q: Quantities, windows: Sequence[Window], limits: PointCriteria
) -> Iterator[tuple[Criterion, Indices, Floats, Floats]]:
    """Every criterion of every family: the windows it is asked of (their places), measure and limit of each, SI."""
    for family, criteria in FAMILIES.items():
        which = np.array([k for k, w in enumerate(windows) if w.family == family], dtype=np.int64)
        i = np.array([windows[k].first for k in which], dtype=np.int64)
        j = np.array([windows[k].stop for k in which], dtype=np.int64)
        for criterion in criteria if len(which) else ():
            measured, allowed = criterion.measure(q, i, j, limits)
            yield criterion, which, measured, np.broadcast_to(np.asarray(allowed, dtype=np.float64), which.shape)


NOISE_FACTOR = 1.5
# what a gust, a wave or a drift of the engine breaks; a trend, a move of the configuration or a climb is another condition,
# and so is the manifold pressure, which no gust moves
SLACKENED = (
    "airspeed_band", "vertical_speed", "bank", "heading", "level_band", "turn_steady", "air_roughness", "engine_speed",
    "engine_speed_scatter", "engine_speed_step", "fuel_flow", "fuel_flow_step",
)  # fmt: skip
MOST_WITH_POWER = 0.7
WEIGHED = ("airspeed_trend", "airspeed_band", "vertical_speed")
FEW_LEFT = 0.8
WEIGHT_LOSS = 0.1
WEIGHT_POWER = 2.0
