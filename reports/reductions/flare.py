"""What a flare takes from the landing configuration's own glide: time, height, speed, and what lift is left.

Relations: shared.physics.flare. Sink from glides of the configuration (approach_sink), stall speed from stalls in it
(stalls); the lift left at the end is (V / (Vs sqrt(n)))^2. Each recorded flare is compared with the arc of constant
load factor that the relations stand for. Ground effect is in none of the figures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import SettingsError
from ...shared.physics.atmosphere import standard_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY
from ...shared.physics.flare import flare_height, flare_speed_loss, flare_time, load_factor_of_flare
from ...shared.physics.mass import speed_at_mass
from .approach_history import past_approaches
from .approach_sink import (
    SPEED_MARGIN_M_S,
    GlideModel,
    fit_without_misread,
    glides_of,
    slope_of,
    state_words,
)
from .bands import UNKNOWN, Band, band_of_draws
from .evidence import Evidence, inferred_note
from .landings import Landing, reduce_landings
from .sheet import LeftOut, Reference
from .stalls import StallSpeed, reduce_stalls
from .transients import flap_levels, own_events

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
LOAD_FACTOR = 1.25
LARGEST = 2.0
DRAWS, SEED = 1000, 21
SHORTEST_S = 1.5  # a shorter flare has too few samples to compare
BEFORE_S = (6.0, 0.5)


@dataclass(frozen=True, slots=True)
class FlareTrial:
    """A recorded flare: height lost [m] and mean load factor as an arc of constant load factor tells them, and as measured."""

    reference: Reference
    seconds: float
    sink_before: float
    sink_after: float
    predicted_height: float
    measured_height: float
    arc_load_factor: float
    measured_load_factor: float


@dataclass(frozen=True, slots=True)
class FlareResult:
    """The flare asked for, SI bands; UNKNOWN where `not_shown` says why. margin: largest lift over that at the flare's end."""

    configuration: tuple[str, str] | None
    load_factor: float
    speed: float
    speed_from: str
    mass: float
    density_ratio: float
    sink: Band
    path_angle: Band
    time: Band
    height: Band
    speed_lost: Band
    speed_after: Band
    stall_speed: Band
    margin: Band
    points: int
    flights: int
    trials: tuple[FlareTrial, ...]
    not_shown: tuple[str, ...]
    speed_outside: tuple[float, float] | None
    missing: tuple[str, ...]
    notes: tuple[str, ...]  # what must stand beside it
    propulsion: str  # what the engine did on the glides, in words
    used: tuple[Reference, ...]
    left_out: tuple[LeftOut, ...]


def reduce_flare(evidence: Evidence) -> FlareResult:
    """The flare of the landing configuration. Options, SI: load_factor, speed (equivalent airspeed), mass, density_altitude."""
    load = float(evidence.options.get("load_factor", LOAD_FACTOR))
    if not 1.0 < load <= LARGEST:
        raise SettingsError("load_factor must lie above 1 and not above 2", found=f"{load:g}", where="--with")
    glides, left = glides_of(evidence)
    fine = glides[glides["fine"].to_numpy(dtype=bool)].reset_index(drop=True)
    model, misread = fit_without_misread(fine, evidence.standard_mass)
    landings = reduce_landings(evidence).landings
    trials = tuple(t for one in landings if (t := _trial(one, evidence)) is not None)
    stalls = reduce_stalls(evidence).speeds
    key = None if model is None else _landing_configuration(model, evidence)
    speed, speed_from = _speed(evidence, landings, None if model is None or key is None else model.speeds[key])
    mass = float(evidence.options.get("mass", evidence.standard_mass))
    density = 1.0
    if "density_altitude" in evidence.options:
        density = float(standard_density(float(evidence.options["density_altitude"]))) / SEA_LEVEL_DENSITY
    stall = None if key is None else _stall_of(key, stalls)
    ratios = [one.fine for one in past_approaches(evidence)[0] if np.isfinite(one.fine)]
    asked = _Asked(load, speed, speed_from, mass, density, float(np.median(ratios)) if ratios else float("nan"))
    left_out = (*evidence.left_out, *left, *misread)
    notes = inferred_note(evidence, set(fine["sortie"]))
    result = _result(model, key, stall, asked=asked, trials=trials, evidence=evidence, left_out=left_out)
    return replace(result, notes=notes, propulsion=state_words(fine))


@dataclass(frozen=True, slots=True)
class _Asked:
    load_factor: float
    speed: float
    speed_from: str
    mass: float
    density_ratio: float
    ratio: float  # engine revolutions per metre at idle near the ground, NaN unknown


def _speed(
    evidence: Evidence, landings: tuple[Landing, ...], measured: tuple[float, float] | None
) -> tuple[float, str]:
    """(speed [m/s], where it is from): given; own landings' where glides reach it; else the slowest measured."""
    if "speed" in evidence.options:
        return float(evidence.options["speed"]), "given"
    known = [one.threshold_speed for one in landings if np.isfinite(one.threshold_speed)]
    own = float(np.median(known)) if known else float("nan")
    if measured is not None and not measured[0] - SPEED_MARGIN_M_S <= own <= measured[1] + SPEED_MARGIN_M_S:
        return measured[0], "the slowest glide measured"
    return own, "at the threshold on own landings"


def _landing_configuration(model: GlideModel, evidence: Evidence) -> tuple[str, str]:
    """Gear down (or fixed) with the most flap that glides were measured with."""
    levels = flap_levels(own_events(evidence))
    down = [k for k in model.keys if k[0] in ("down", "fixed")] or list(model.keys)
    return max(down, key=lambda k: levels.get(k[1], 0.0))


def _stall_of(key: tuple[str, str], stalls: tuple[StallSpeed, ...]) -> StallSpeed | None:
    own = [s for s in stalls if s.key[:2] == key]
    return max(own, key=lambda s: (s.key[2] in ("idle", "off"), len(s.stalls)), default=None)


def _result(
    model: GlideModel | None,
    key: tuple[str, str] | None,
    stall: StallSpeed | None,
    *,
    asked: _Asked,
    trials: tuple[FlareTrial, ...],
    evidence: Evidence,
    left_out: tuple[LeftOut, ...],
) -> FlareResult:
    missing, not_shown = [], []
    outside = None
    bands = dict.fromkeys(("sink", "path_angle", "time", "height", "speed_lost", "speed_after", "margin"), UNKNOWN)
    if model is None or key is None:
        missing.append("at least three glides without power at two speeds, the landing configuration among them")
    elif not np.isfinite(asked.speed):
        missing.append("the speed the flare is begun at: no landing tells it; give speed=")
    else:
        low, high = model.speeds[key]
        if not low - SPEED_MARGIN_M_S <= asked.speed <= high + SPEED_MARGIN_M_S:
            outside = (low, high)
        else:
            bands = _bands(model, key, stall, asked=asked, evidence=evidence)
    if stall is None:
        not_shown.append("what lift is left at the end: no stall was measured in the landing configuration")
    if not trials:
        not_shown.append("what lift is left at the end: no flare is recorded to compare with")
    if not_shown:
        bands["margin"] = UNKNOWN
    points, flights = model.counts[key] if model is not None and key is not None else (0, 0)
    used = () if model is None else model.used
    speed = UNKNOWN if stall is None else stall.speed
    return FlareResult(
        key, asked.load_factor, asked.speed, asked.speed_from, asked.mass, asked.density_ratio, bands["sink"], bands["path_angle"], bands["time"],
        bands["height"], bands["speed_lost"], bands["speed_after"], speed, bands["margin"], points, flights, trials,
        tuple(not_shown), outside, tuple(missing), (), "", (*used, *(t.reference for t in trials)), left_out,
    )  # fmt: skip


def _bands(
    model: GlideModel, key: tuple[str, str], stall: StallSpeed | None, *, asked: _Asked, evidence: Evidence
) -> dict[str, Band]:
    random = np.random.default_rng(SEED)
    draws = model.draws(DRAWS, random)
    air = 1 + random.standard_normal(DRAWS) * float(
        np.hypot(model.day, evidence.settings.uncertainty.vertical_speed_share)
    )
    b = draws[:, model.keys.index(key)]
    mass = asked.mass / model.standard_mass if np.isfinite(asked.mass / model.standard_mass) else 1.0
    ones, speed = np.ones(DRAWS), np.full(DRAWS, asked.speed)
    relative = ones * (asked.ratio / model.ratio if np.isfinite(asked.ratio / model.ratio) else 1.0)
    straight = slope_of(model, b, draws, speed=speed, load=(ones, ones * mass, relative)) * air
    pulled = slope_of(model, b, draws, speed=speed, load=(ones * asked.load_factor, ones * mass, relative)) * air
    true = asked.speed / np.sqrt(asked.density_ratio)
    angle = np.arcsin(np.minimum(straight, 1.0))
    seconds = flare_time(true, angle, load_factor=asked.load_factor)
    lost = flare_speed_loss(seconds, angle, drag_to_weight=pulled)
    after = asked.speed - lost * np.sqrt(asked.density_ratio)
    margin = np.full(DRAWS, np.nan)
    if stall is not None and stall.speed.is_known:
        own = (
            float(speed_at_mass(stall.speed.value, model.standard_mass, standard_mass=asked.mass))
            if np.isfinite(asked.mass)
            else stall.speed.value
        )
        stalled = own + random.standard_normal(DRAWS) * stall.speed.standard_uncertainty
        margin = (np.maximum(after, 0.0) / (stalled * np.sqrt(asked.load_factor))) ** 2
    values: dict[str, tuple[Any, str]] = {
        "sink": (straight * true, "m/s"), "path_angle": (angle, "rad"), "time": (seconds, "s"),
        "height": (flare_height(true, angle, load_factor=asked.load_factor), "m"), "speed_lost": (lost * np.sqrt(asked.density_ratio), "m/s"),
        "speed_after": (after, "m/s"), "margin": (margin, "1"),
    }  # fmt: skip
    return {name: band_of_draws(drawn, unit=unit) for name, (drawn, unit) in values.items()}


def _trial(one: Landing, evidence: Evidence) -> FlareTrial | None:
    """A recorded flare against the arc; None where it is too short or its height is not known."""
    if not one.flare_time >= SHORTEST_S or not one.sink.is_known:
        return None
    stop = float(one.reference.stop_s or 0.0)
    start = stop - one.flare_time
    samples = evidence.programme.samples(one.reference.sortie, start=start - BEFORE_S[0], stop=stop)
    time = samples["t"].to_numpy(dtype=np.float64)
    height = _height(samples)
    if height is None:
        return None
    before = (time >= start - BEFORE_S[0]) & (time <= start - BEFORE_S[1]) & np.isfinite(height)
    if before.sum() < 4:
        return None
    slope, at_start = np.polyfit(time[before] - start, height[before], 1)
    near_end = (time >= stop - 1.0) & np.isfinite(height)
    if near_end.sum() < 2:
        return None
    end = float(np.mean(height[near_end])) - 0.5 * max(one.sink.value, 0.0)
    sink = -float(slope)
    within = (time >= start) & (time <= stop - 0.2)
    factor = (
        samples["normal_load_factor"].to_numpy(dtype=np.float64)[within]
        if "normal_load_factor" in samples
        else np.array([np.nan])
    )
    return FlareTrial(
        Reference(one.reference.sortie, None, start, stop), one.flare_time, sink, one.sink.value, (sink + one.sink.value) / 2 * one.flare_time,
        float(at_start) - end, float(load_factor_of_flare(sink, one.sink.value, time=one.flare_time)),
        float(np.mean(factor[np.isfinite(factor)])) if np.isfinite(factor).any() else float("nan"),
    )  # fmt: skip


def _height(samples: pd.DataFrame) -> Floats | None:
    for name in ("gnss_altitude", "pressure_altitude"):
        if name in samples and samples[name].notna().sum() > 10:
            return np.asarray(samples[name].to_numpy(dtype=np.float64), dtype=np.float64)
    return None
