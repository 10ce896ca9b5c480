"""Stall speeds: each stall found, brought to one load factor and mass, by configuration and entry rate.

The stall is where speed over the root of the load factor is least beside the nose drop: the largest lift the wing gave.
V_s = V / sqrt(n) sqrt(m_s / m). Entry rate: mean slowing over the last tenth of the speed. With three stalls or more at
different rates the speed is told at 1 kt/s by a straight line, else at the rates flown. Practice: FAA AC 23-8C, stall
speed tests (power off, entry no faster than 1 kt/s, corrected to mass and load factor); wording our own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.glide import lift_coefficient
from ...shared.physics.mass import speed_at_mass
from ...shared.physics.turn import speed_at_one_g
from .approach_sink import gear_words
from .bands import UNKNOWN, Band, band_of
from .evidence import Evidence, inferred_note
from .resampling import student_factor
from .sheet import LeftOut, Reference

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Key = tuple[str, str, str]  # gear, flap, power
KNOT = 1852 / 3600
BEFORE_S, AFTER_S = 6.0, 1.5  # where the largest lift is looked for, about the nose drop
MEAN_S = 1.0
WARNING_S, DROP_S = 40.0, 5.0
SAME_S = 1.5
SLOW_ENTRY = 1.0 * KNOT  # m/s2, FAA AC 23-8C
LEAST_RATES, RATE_RANGE = 3, 0.3 * KNOT
ONE_STALL_M_S = 0.5 * KNOT  # what one stall differs from the next by, before two tell; common practice, no source
LOAD_FACTOR_DOUBT = 0.01
FAR_ABOVE = 1.15  # common practice, no source
REACHES = 1.1  # a position error table tells a stall speed when its slowest row is within this of it


@dataclass(frozen=True, slots=True)
class Stall:
    """One stall, SI. speed: calibrated (or indicated) airspeed at the largest lift; one_g: at load factor 1 and its own mass;
    standard: at the standard mass; warning: airspeed above the stall at which the warning came, NaN without."""

    key: Key
    reference: Reference
    speed: float
    load_factor: float
    mass: float
    one_g: float
    standard: float
    entry_rate: float
    warning: float
    bank_change: float
    height_lost: float
    lift_coefficient: float
    confidence: float


@dataclass(frozen=True, slots=True)
class StallSpeed:
    """The stall speed of a configuration at standard mass [m/s] and its largest lift coefficient; entry_rate: that it is told at [m/s2]."""

    key: Key
    speed: Band
    lift_coefficient: Band
    entry_rate: float
    by_line: bool
    stalls: tuple[Stall, ...]
    provisional: bool

    @property
    def flights(self) -> int:
        """Number of flights the stalls are of."""
        return len({s.reference.sortie for s in self.stalls})


@dataclass(frozen=True, slots=True)
class StallsResult:
    """Stall speeds of every configuration stalled in, what they are told for, what was left out and what is missing."""

    speeds: tuple[StallSpeed, ...]
    mass: float
    notes: tuple[str, ...]  # what must stand beside them
    missing: tuple[str, ...]
    left_out: tuple[LeftOut, ...]


def reduce_stalls(evidence: Evidence) -> StallsResult:
    """Every stall of the evidence, by configuration."""
    events = evidence.programme.events(kind="stall_onset")
    events = events[events["sortie"].isin(evidence.sorties)]
    approaches = evidence.programme.manoeuvres(kind="approach_to_stall")
    stalls: list[Stall] = []
    left: list[LeftOut] = []
    for row in events.to_dict("records"):
        at = float(row["time_s"])
        where = Reference(str(row["sortie"]), None, at - BEFORE_S, at + AFTER_S)
        near = approaches[(approaches["sortie"] == row["sortie"]) & ((approaches["stop_s"] - at).abs() < SAME_S)]
        one = _stall(row, near.iloc[0]["facts"] if len(near) else {}, where, evidence=evidence)
        if isinstance(one, str):
            left.append(LeftOut(f"stall at {at:.0f} s of {where.sortie}", one, where))
        else:
            stalls.append(one)
    stalls, unloaded = _without_unloadings(stalls)
    left += unloaded
    keys = sorted({s.key for s in stalls})
    speeds = tuple(_stall_speed(k, tuple(s for s in stalls if s.key == k), evidence) for k in keys)
    missing = [] if stalls else ["a recorded stall: airspeed, pitch and normal load factor through it"]
    if stalls and not all(np.isfinite(s.mass) for s in stalls):
        missing.append("the mass at each stall: without it the speeds are not brought to one mass")
    if stalls and evidence.settings.aircraft.wing_area is None:
        missing.append("aircraft.wing_area in the settings, for the largest lift coefficient")
    notes = inferred_note(evidence, {s.reference.sortie for s in stalls})
    return StallsResult(speeds, evidence.standard_mass, notes, tuple(missing), (*evidence.left_out, *left))


def _stall(row: Mapping[str, Any], facts: Mapping[str, Any], where: Reference, *, evidence: Evidence) -> Stall | str:
    at = float(row["time_s"])
    samples = evidence.programme.samples(where.sortie, start=at - WARNING_S, stop=at + DROP_S)
    channel = next((c for c in ("calibrated_airspeed", "indicated_airspeed") if c in samples), None)
    if channel is None or "normal_load_factor" not in samples:
        return "no airspeed or no load factor"
    time = samples["t"].to_numpy(dtype=np.float64)
    width = max(1, round(MEAN_S / max(float(np.median(np.diff(time))), 1e-3)))
    speed, factor = (_mean(samples[c], width) for c in (channel, "normal_load_factor"))
    window = np.flatnonzero((time >= at - BEFORE_S) & (time <= at + AFTER_S) & (factor > 0.3))
    if not len(window) or not np.isfinite(speed[window]).any():
        return "no airspeed or no load factor"
    one_g = speed_at_one_g(speed, np.maximum(factor, 0.3))
    k = int(window[np.nanargmin(one_g[window])])
    mass = float(samples["mass"].iloc[k]) if "mass" in samples else float("nan")
    gear = str(gear_words(_series(facts.get("gear") or "unknown"), evidence).iloc[0])
    known = evidence.standard_mass if not np.isfinite(mass) else mass
    standard = float(speed_at_mass(one_g[k], known, standard_mass=evidence.standard_mass))
    area: Any = evidence.settings.aircraft.wing_area
    equivalent = (
        float(_mean(samples["equivalent_airspeed"], width)[k]) if "equivalent_airspeed" in samples else speed[k]
    )
    coefficient = float("nan")
    if area is not None and np.isfinite(mass):
        coefficient = float(lift_coefficient(equivalent, mass, wing_area=area, load_factor=factor[k]))
    rate = row["facts"].get("entry_rate")
    return Stall(
        (gear, str(facts.get("flap") or "unknown"), str(facts.get("power") or "unknown")), where, float(speed[k]), float(factor[k]),
        mass, float(one_g[k]), standard if np.isfinite(standard) else float(one_g[k]), float("nan") if rate is None else float(rate),
        _warning(samples, speed, k), _bank_change(samples, time, at), float(facts.get("height_lost_m") or np.nan), coefficient,
        float(row["confidence"]),
    )  # fmt: skip


def _without_unloadings(stalls: list[Stall]) -> tuple[list[Stall], list[LeftOut]]:
    """Without nose drops far above the speed at which the same gear and flap stalled: pushed, not stalled."""
    lowest: dict[tuple[str, str], float] = {}
    for one in stalls:
        lowest[one.key[:2]] = min(one.standard, lowest.get(one.key[:2], np.inf))
    kept = [s for s in stalls if s.standard <= FAR_ABOVE * lowest[s.key[:2]]]
    left = [
        LeftOut(
            f"nose drop at {s.reference.stop_s or 0:.0f} s of {s.reference.sortie}",
            f"{100 * (s.standard / lowest[s.key[:2]] - 1):.0f} % above the speed at which this configuration stalled: unloaded, not stalled",
            s.reference,
        )
        for s in stalls
        if s not in kept
    ]
    return kept, left


def _series(word: str) -> pd.Series:
    import pandas

    return pandas.Series([word])


def _mean(values: pd.Series, width: int) -> Floats:
    known = values.astype(np.float64).interpolate(limit_direction="both").to_numpy(dtype=np.float64)
    padded = np.pad(known, (width // 2, width - 1 - width // 2), mode="edge")
    return np.asarray(np.convolve(padded, np.ones(width) / width, "valid"), dtype=np.float64)


def _warning(samples: pd.DataFrame, speed: Floats, k: int) -> float:
    """Airspeed above that of the stall at which the stall warning came on for good [m/s]; NaN where it is not recorded."""
    if "stall_warning" not in samples:
        return float("nan")
    on = samples["stall_warning"].to_numpy(dtype=np.float64)[: k + 1] > 0.5
    if not on.any() or on.all() or not on[-1]:
        return float("nan")
    return float(speed[int(np.flatnonzero(~on)[-1]) + 1] - speed[k])


def _bank_change(samples: pd.DataFrame, time: Floats, at: float) -> float:
    """Largest bank away from that before the nose drop, within some seconds after it [rad]."""
    if "bank" not in samples:
        return float("nan")
    bank = samples["bank"].to_numpy(dtype=np.float64)
    before = bank[(time >= at - 2.0) & (time <= at)]
    after = bank[(time > at) & (time <= at + DROP_S)]
    if not np.isfinite(before).any() or not np.isfinite(after).any():
        return float("nan")
    return float(np.nanmax(np.abs(after - np.nanmean(before))))


def _stall_speed(key: Key, stalls: tuple[Stall, ...], evidence: Evidence) -> StallSpeed:
    values = np.array([s.standard for s in stalls])
    rates = np.array([s.entry_rate for s in stalls])
    told = float(np.nanmean(rates)) if np.isfinite(rates).any() else float("nan")
    value, error, by_line = _at_one_knot(values, rates)
    if by_line:
        told = SLOW_ENTRY
    provisional = not _table_reaches(float(np.mean([s.speed for s in stalls])), evidence)
    known = evidence.settings.uncertainty
    airspeed = known.airspeed_uncalibrated if provisional else known.airspeed
    mass_share = known.mass_share if all(np.isfinite(s.mass) for s in stalls) else known.mass_share_assumed
    type_b = float(np.hypot(airspeed, value * np.hypot(mass_share, LOAD_FACTOR_DOUBT) / 2))
    speed = band_of(value, error, type_b, unit="m/s")
    coefficients = np.array([s.lift_coefficient for s in stalls])
    lift = UNKNOWN
    if np.isfinite(coefficients).all():
        middle = float(np.mean(coefficients))
        share = float(np.hypot(2 * airspeed / value, np.hypot(mass_share, LOAD_FACTOR_DOUBT)))
        lift = band_of(middle, middle * 2 * error / value, middle * share, unit="1")
    return StallSpeed(key, speed, lift, told, by_line, stalls, provisional)


def _at_one_knot(values: Floats, rates: Floats) -> tuple[float, float, bool]:
    """(speed [m/s], its standard error, whether a line over entry rate tells it at 1 kt/s)."""
    count = len(values)
    spread = float(np.std(values, ddof=1)) * student_factor(count - 1) if count > 1 else ONE_STALL_M_S
    error = max(spread, ONE_STALL_M_S / 2) / np.sqrt(count)
    if count < LEAST_RATES or not np.isfinite(rates).all() or np.ptp(rates) < RATE_RANGE:
        return float(np.mean(values)), float(error), False
    if not rates.min() - RATE_RANGE <= SLOW_ENTRY <= rates.max() + RATE_RANGE:
        return float(np.mean(values)), float(error), False
    design = np.column_stack([np.ones(count), rates - SLOW_ENTRY])
    solved, *_ = np.linalg.lstsq(design, values, rcond=None)
    residual = values - design @ solved
    freedom = max(count - 2, 1)
    scatter = max(float(np.sqrt(np.sum(residual**2) / freedom)) * student_factor(freedom), ONE_STALL_M_S / 2)
    return float(solved[0]), scatter * float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0])), True


def _table_reaches(speed: float, evidence: Evidence) -> bool:
    rows = evidence.settings.aircraft.position_error
    slowest: list[Any] = [row.indicated for row in rows]
    return bool(slowest) and float(min(slowest)) <= REACHES * speed
