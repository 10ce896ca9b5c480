"""Each landing's speeds, sink, flare and load at touchdown, their spread and trend.

Sink at touchdown: the heights of the last seconds (satellite, pressure at half its weight) are fitted by the path that
the normal load factor asks for, h = h0 + v t + integral of (n - 1) g, with one offset of the load factor; the last
third of a second is left out, where the wheels already speak. Threshold: 50 ft above the touchdown point, common
practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.constants import STANDARD_GRAVITY
from ...shared.settings import Settings
from .bands import UNKNOWN, Band, band_of
from .evidence import Evidence
from .sheet import LeftOut, Reference

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
BEFORE_S, AFTER_S = 60.0, 3.0
SPEED_S = 1.5  # the line through the last speeds
SINK_S, WHEELS_S = 4.0, 0.3
LARGEST_PULL = 0.15  # load factor off 1 beyond this is a gust or the ground
LOAD_OFFSET = 0.005  # one standard deviation of the load factor's zero over seconds; common practice, no source
PRESSURE_WEIGHT = 0.5
WIND_FROM_S, WIND_TO_S = 15.0, 2.0
THRESHOLD_M = 50 * 0.3048
PEAK_FROM_S, PEAK_TO_S = 0.5, 1.5
# what the fit of the last seconds leaves, one standard deviation: found on simulated landings (see docs/measurements.md)
SINK_METHOD_M_S, SINK_WITHOUT_LOAD_M_S = 0.34, 0.6
MOMENT_S = 0.5  # doubt of the moment of touchdown beside the event's own
SAME_S = 3.0
LEAST_TREND = 8  # fewer fall into an order by chance


@dataclass(frozen=True, slots=True)
class Landing:
    """One landing, SI; Band UNKNOWN or NaN where it cannot be told. kind: landing, touch_and_go."""

    reference: Reference
    time_utc: str
    kind: str
    airspeed: Band
    ground_speed: Band
    sink: Band
    headwind: Band
    threshold_speed: float
    flare_height: float
    flare_speed: float
    flare_time: float
    flare_distance: float
    peak_load_factor: float


@dataclass(frozen=True, slots=True)
class Spread:
    """A quantity over all landings: middle, standard deviation, count, change per landing with its standard error (NaN: too few)."""

    name: str
    middle: float
    deviation: float
    count: int
    trend: float
    trend_error: float


@dataclass(frozen=True, slots=True)
class LandingsResult:
    """All landings in time order, their spreads, and touchdowns that could not be told."""

    landings: tuple[Landing, ...]
    spreads: tuple[Spread, ...]
    calibrated: bool
    missing: tuple[str, ...]
    left_out: tuple[LeftOut, ...]


def reduce_landings(evidence: Evidence) -> LandingsResult:
    """Every touchdown of the evidence as a landing."""
    events = evidence.programme.events(kind="touchdown")
    events = events[events["sortie"].isin(evidence.sorties)]
    patterns = evidence.programme.manoeuvres()
    patterns = patterns[patterns["kind"].isin(["pattern", "power_off_pattern", "straight_in"])]
    landings: list[Landing] = []
    left: list[LeftOut] = []
    for row in events.to_dict("records"):
        where = Reference(str(row["sortie"]), None, float(row["time_s"]) - SINK_S, float(row["time_s"]))
        near = patterns[(patterns["sortie"] == row["sortie"]) & ((patterns["stop_s"] - row["time_s"]).abs() < SAME_S)]
        facts = near.iloc[0]["facts"] if len(near) else {}
        one = _landing(row, facts, where, evidence=evidence)
        if isinstance(one, str):
            left.append(LeftOut(f"touchdown at {row['time_s']:.0f} s of {row['sortie']}", one, where))
        else:
            landings.append(one)
    missing = () if landings else ("a recorded landing with airspeed",)
    calibrated = bool(evidence.settings.aircraft.position_error)
    return LandingsResult(tuple(landings), _spreads(landings), calibrated, missing, (*evidence.left_out, *left))


def _landing(
    row: Mapping[str, Any], facts: Mapping[str, Any], where: Reference, *, evidence: Evidence
) -> Landing | str:
    at = float(row["time_s"])
    samples = evidence.programme.samples(where.sortie, start=at - BEFORE_S, stop=at + AFTER_S)
    time = samples["t"].to_numpy(dtype=np.float64)
    speed = next((c for c in ("calibrated_airspeed", "indicated_airspeed") if c in samples), None)
    if speed is None or not np.isfinite(samples[speed][(time > at - SPEED_S) & (time <= at)]).any():
        return "no airspeed at touchdown"
    settings = evidence.settings
    doubt_s = float(np.hypot(float(row["uncertainty_s"]), MOMENT_S))
    flare_s = _fact(facts, "flare_s")
    return Landing(
        where, str(row["time_utc"]), str(facts.get("ends_in") or "landing"),
        _at_touchdown(time, samples[speed], at, doubt_s=doubt_s, type_b=settings.airspeed_uncertainty),
        _at_touchdown(time, _column(samples, "ground_speed"), at, doubt_s=doubt_s, type_b=settings.uncertainty.ground_speed),
        sink_at_touchdown(samples, at), _headwind(samples, time, at, settings), _threshold_speed(samples, time, at, speed),
        _fact(facts, "flare_height_m"), _fact(facts, "flare_airspeed"), flare_s, _way(samples, time, at - flare_s, at), _peak(samples, time, at),
    )  # fmt: skip


def _fact(facts: Mapping[str, Any], name: str) -> float:
    value = facts.get(name)
    return float("nan") if value is None else float(value)


def _column(samples: pd.DataFrame, name: str) -> Floats:
    return samples[name].to_numpy(dtype=np.float64) if name in samples else np.full(len(samples), np.nan)


def _at_touchdown(time: Floats, values: Any, at: float, *, doubt_s: float, type_b: float) -> Band:
    """A speed [m/s] at the moment, by a line through the last seconds; the doubt of the moment counts with its slope."""
    known = np.asarray(values, dtype=np.float64)
    chosen = (time >= at - SPEED_S) & (time <= at + 0.05) & np.isfinite(known)
    if chosen.sum() < 2:
        return UNKNOWN
    slope, value = np.polyfit(time[chosen] - at, known[chosen], 1)
    residual = known[chosen] - np.polyval([slope, value], time[chosen] - at)
    error = float(np.std(residual)) * 2 / np.sqrt(chosen.sum())
    return band_of(float(value), float(np.hypot(error, slope * doubt_s)), type_b, unit="m/s")


def sink_at_touchdown(samples: pd.DataFrame, at: float) -> Band:
    """Sink rate [m/s] just before the wheels touch at `at` [s]; see the module. UNKNOWN without height."""
    time = samples["t"].to_numpy(dtype=np.float64)
    window = (time >= at - SINK_S) & (time <= at - WHEELS_S)
    factor = _column(samples, "normal_load_factor")
    with_load = bool(window.any()) and bool(np.isfinite(factor[window]).all())
    pull = (
        (np.clip(factor, 1 - LARGEST_PULL, 1 + LARGEST_PULL) - 1) * STANDARD_GRAVITY
        if with_load
        else np.zeros(len(time))
    )
    pull = np.where(window, pull, 0.0)
    velocity, path = _integral(pull, time), _integral(_integral(pull, time), time)
    parts, wanted = [], []
    names = [n for n in ("gnss_altitude", "pressure_altitude") if np.isfinite(_column(samples, n)[window]).sum() > 3]
    for index, name in enumerate(names):
        height = _column(samples, name)
        chosen = window & np.isfinite(height)
        weight = PRESSURE_WEIGHT if name == "pressure_altitude" else 1.0
        t = time[chosen] - at
        levels = np.zeros((len(t), len(names)))
        levels[:, index] = 1.0
        parts.append(weight * np.column_stack([t, t**2 / 2, levels]))
        wanted.append(weight * (height[chosen] - path[chosen]))
    if not parts:
        return UNKNOWN
    prior = np.zeros((1, 2 + len(names)))
    prior[0, 1] = 0.5 / (LOAD_OFFSET * STANDARD_GRAVITY) if with_load else 1.0
    design, values = np.vstack([*parts, prior]), np.concatenate([*wanted, [0.0]])
    solved, *_ = np.linalg.lstsq(design, values, rcond=None)
    residual = float(np.std(values - design @ solved))
    error = 2 * residual * float(np.sqrt(np.linalg.pinv(design.T @ design)[0, 0]))
    last = float(velocity[window][-1]) if window.any() else 0.0
    climb = float(solved[0]) + last - float(solved[1]) * WHEELS_S
    method = SINK_METHOD_M_S if with_load and "gnss_altitude" in names else SINK_WITHOUT_LOAD_M_S
    return band_of(-climb, error, method, unit="m/s")


def _integral(values: Floats, time: Floats) -> Floats:
    steps = np.diff(time) * (values[1:] + values[:-1]) / 2
    return np.concatenate([[0.0], np.cumsum(steps)])


def _headwind(samples: pd.DataFrame, time: Floats, at: float, settings: Settings) -> Band:
    """True airspeed less ground speed on short final [m/s], wind on the nose positive."""
    chosen = (time >= at - WIND_FROM_S) & (time <= at - WIND_TO_S)
    gap = (_column(samples, "true_airspeed") - _column(samples, "ground_speed"))[chosen]
    gap = gap[np.isfinite(gap)]
    if len(gap) < 3:
        return UNKNOWN
    doubt = float(np.hypot(settings.airspeed_uncertainty, settings.uncertainty.ground_speed))
    return band_of(float(np.mean(gap)), float(np.std(gap)) / np.sqrt(max(len(gap) / 10, 1)), doubt, unit="m/s")


def _threshold_speed(samples: pd.DataFrame, time: Floats, at: float, speed: str) -> float:
    """Airspeed [m/s] where the height last passed 50 ft above where it touched, NaN where that was not flown."""
    for name in ("gnss_altitude", "pressure_altitude"):
        height = _column(samples, name)
        before = (time <= at) & np.isfinite(height)
        if not before.any():
            continue
        above = np.flatnonzero(before & (height - height[before][-1] >= THRESHOLD_M))
        if len(above):
            near = (np.abs(time - time[above[-1]]) <= 1.0) & np.isfinite(_column(samples, speed))
            return float(np.mean(_column(samples, speed)[near])) if near.any() else float("nan")
    return float("nan")


def _way(samples: pd.DataFrame, time: Floats, start: float, stop: float) -> float:
    """Distance over the ground [m] between two moments, NaN where not known."""
    chosen = (time >= start) & (time <= stop)
    speed = _column(samples, "ground_speed")[chosen]
    if not np.isfinite(start) or not len(speed) or not np.isfinite(speed).any():
        return float("nan")
    return float(np.nanmean(speed) * (stop - start))


def _peak(samples: pd.DataFrame, time: Floats, at: float) -> float:
    factor = _column(samples, "normal_load_factor")[(time >= at - PEAK_FROM_S) & (time <= at + PEAK_TO_S)]
    factor = factor[np.isfinite(factor)]
    return float(np.max(factor)) if len(factor) else float("nan")


def _spreads(landings: list[Landing]) -> tuple[Spread, ...]:
    values = {
        "touchdown airspeed": [one.airspeed.value for one in landings],
        "touchdown ground speed": [one.ground_speed.value for one in landings],
        "sink at touchdown": [one.sink.value for one in landings],
        "threshold speed": [one.threshold_speed for one in landings],
        "flare time": [one.flare_time for one in landings],
        "flare distance": [one.flare_distance for one in landings],
        "peak load factor": [one.peak_load_factor for one in landings],
    }
    return tuple(s for name, numbers in values.items() if (s := _spread(name, np.array(numbers))) is not None)


def _spread(name: str, values: Floats) -> Spread | None:
    order = np.flatnonzero(np.isfinite(values))
    known = values[order]
    if not len(known):
        return None
    deviation = float(np.std(known, ddof=1)) if len(known) > 1 else float("nan")
    trend, error = float("nan"), float("nan")
    if len(known) >= LEAST_TREND:
        centred = order - float(np.mean(order))
        trend = float(np.sum(centred * known) / np.sum(centred**2))
        residual = known - np.mean(known) - trend * centred
        error = float(np.sqrt(np.sum(residual**2) / (len(known) - 2) / np.sum(centred**2)))
    return Spread(name, float(np.median(known)), deviation, len(known), trend, error)
