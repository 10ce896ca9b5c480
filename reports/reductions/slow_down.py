"""Time and distance from one speed to the next with the engine idling: from slow-downs flown, level and descending.

Each found run gives, second by second, drag less thrust over weight: (D - T)/W = -(dh/dt + (V/g) dV/dt) / V. One fit per
configuration, a + b u m0/m + c (m/m0)/u with u = (Ve / 50 m/s)^2, nothing below zero; the next run is that integrated:
dV/dt = -g ((D - T)/W - sink / V). Source: SFTE Reference Handbook, 3rd ed. 2013, sections 5 and 12 (level
decelerations, energy). Each run is predicted from the others to say how well that holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ...shared.physics.atmosphere import standard_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from .approach_air import gust_size
from .approach_sink import (
    REFERENCE_M_S,
    GlideModel,
    commonest,
    fit_without_misread,
    glides_of,
    slope_of,
    state_words,
)
from .bands import UNKNOWN, Band
from .evidence import Evidence, inferred_note
from .sheet import LeftOut, Reference
from .slow_down_doubt import Doubt, air_of, descent_share, doubt_of
from .slow_down_runs import Floats, Key, Run, find_runs

if TYPE_CHECKING:
    import pandas as pd

# least share of the drag by which one run differs from the next beside its air; common practice, no source
RUN_FLOOR = 0.03
STEADY_FLOOR = 0.04  # the same where only steady glides tell; common practice, no source
USUAL_SINK_M_S = 500 * 0.3048 / 60
STEPS = 60
MARGIN_M_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Slowing:
    """(D - T)/W of a configuration over equivalent airspeed: coefficients (a, b, c) of runs, or the steady glides' model."""

    key: Key
    coefficients: Floats | None
    glides: tuple[GlideModel, Floats] | None
    speeds: tuple[float, float]
    runs: tuple[Run, ...]
    spread: float  # standard deviation of one run's drag about the prediction [1], beside what the air makes

    def reaches(self, ends: tuple[float, float]) -> bool:
        """Whether both speeds [m/s] lie within those measured, but for a margin."""
        return ends[0] <= self.speeds[1] + MARGIN_M_S and ends[1] >= self.speeds[0] - MARGIN_M_S

    def steepness(self, speed: Floats, mass_ratio: float) -> Floats:
        """(D - T)/W [1] at equivalent airspeeds [m/s] and mass over the standard mass."""
        if self.coefficients is not None:
            return np.asarray(_design(speed, np.full(len(speed), mass_ratio)) @ self.coefficients, dtype=np.float64)
        assert self.glides is not None
        model, b = self.glides
        ones = np.ones(len(speed))
        return slope_of(model, b * ones, model.estimate[None, :], speed=speed, load=(ones, ones * mass_ratio, ones))


@dataclass(frozen=True, slots=True)
class Stage:
    """One part of slowing down: configuration, speeds [m/s], sink [m/s, 0 for level], time [s], distance through the air [m].

    reason: why there is no number, '' where there is one. rests_on: runs or glides, and how many.
    """

    configuration: str
    start: float
    stop: float
    sink: float
    time: Band
    distance: Band
    rests_on: str
    reason: str
    used: tuple[Reference, ...] = ()


@dataclass(frozen=True, slots=True)
class SlowTrial:
    """A run predicted from the others of its configuration: time [s] with its band, UNKNOWN where it might not have slowed.

    air: share of the drag that the air on the way makes, one standard deviation.
    """

    configuration: str
    reference: Reference
    start: float
    stop: float
    predicted: float
    band: Band
    measured: float
    rests_on: str
    amplification: float
    air: float

    @property
    def holds(self) -> bool:
        """Whether there is a band and it holds the measured time."""
        return self.band.holds(self.measured)

    @property
    def steepness_error(self) -> float:
        """Predicted over measured time less 1, as an error of the drag: what a descent makes of it taken out."""
        return (self.predicted / self.measured - 1) / self.amplification


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """What the doubt of runs needs beside them: the points that tell the gusts, the airspeed's uncertainty [m/s]."""

    points: pd.DataFrame
    airspeed: float


@dataclass(frozen=True, slots=True, eq=False)
class SlowDownResult:
    """Stages of the slow-down asked for, the trials of the past ones, what was left out, what is missing."""

    stages: tuple[Stage, ...]
    trials: tuple[SlowTrial, ...]
    models: tuple[Slowing, ...]
    mass: float
    density_ratio: float
    propulsion: str  # what the engine did, in words
    notes: tuple[str, ...]  # what must stand beside it
    missing: tuple[str, ...]
    left_out: tuple[LeftOut, ...]


def reduce_slow_down(evidence: Evidence) -> SlowDownResult:
    """Stages from the pattern speed to the gear's and the flap's. Options, SI: from, gear_speed, flap_speed, sink, mass, density_altitude."""
    glides, _ = glides_of(evidence)
    runs, left = find_runs(evidence, commonest(glides["propulsion"]))
    steady = {fine: fit_without_misread(part.reset_index(drop=True), evidence.standard_mass)[0]
              for fine, part in glides.groupby("fine")}  # fmt: skip
    air = Air(evidence.points, evidence.settings.airspeed_uncertainty)
    models = tuple(model for key in _keys(runs, steady) for model in _models(key, runs, steady, air))
    trials = tuple(t for model in models for t in _try_runs(model, steady, air))
    options = evidence.options
    mass = float(options.get("mass", evidence.standard_mass))
    if "density_altitude" in options:
        density = float(standard_density(float(options["density_altitude"]))) / SEA_LEVEL_DENSITY
    else:
        known = [r.root_density for r in runs]
        density = 1 / float(np.median(known)) ** 2 if known else 1.0
    stages, missing = _stages(evidence, models, mass=mass, density=density)
    notes = inferred_note(evidence, {r.reference.sortie for r in runs} | set(glides["sortie"]))
    return SlowDownResult(
        stages, trials, models, mass, density, state_words(glides), notes, missing, (*evidence.left_out, *left)
    )


def _design(speed: Floats, mass_ratio: Floats) -> Floats:
    u = (speed / REFERENCE_M_S) ** 2
    return np.column_stack([np.ones(len(u)), u / mass_ratio, mass_ratio / u])


def fit_runs(runs: tuple[Run, ...]) -> Floats:
    """(a, b, c) of the runs' blocks, least squares with b and c not below zero and a small."""
    from scipy.optimize import lsq_linear

    speed = np.concatenate([r.speed for r in runs])
    mass = np.concatenate([r.mass_ratio for r in runs])
    measured = np.concatenate([r.steepness for r in runs])
    solved = lsq_linear(_design(speed, mass), measured, bounds=([0.0, 0.0, 0.0], [0.5, np.inf, np.inf]))
    return np.asarray(solved.x, dtype=np.float64)


def _keys(runs: tuple[Run, ...], steady: Mapping[Any, GlideModel | None]) -> list[Key]:
    own = {r.key for r in runs}
    for fine, model in steady.items():
        if model is not None:
            own |= {(gear, flap, "fine" if fine else "governed") for gear, flap in model.keys}
    return sorted(own)


def _models(key: Key, runs: tuple[Run, ...], steady: Mapping[Any, GlideModel | None], air: Air) -> tuple[Slowing, ...]:
    """Of a configuration: that of its slow-downs where there are any, then that of its steady glides."""
    out = []
    own = tuple(r for r in runs if r.key == key)
    if own:
        speeds = (min(r.ends[1] for r in own), max(r.ends[0] for r in own))
        slowing = Slowing(key, fit_runs(own), None, speeds, own, RUN_FLOOR)
        spread = _spread(_try_runs(slowing, steady, air))
        out.append(Slowing(key, slowing.coefficients, None, speeds, own, spread))
    if _glides_tell(key, steady):
        out.append(_steady(key, steady))
    return tuple(out)


def _spread(trials: list[SlowTrial]) -> float:
    """What trials missed by, as a share of the drag, beside the air that is drawn for each run: one standard deviation."""
    if len(trials) < 3:
        return 2 * RUN_FLOOR
    missed = float(np.mean([t.steepness_error**2 - t.air**2 for t in trials]))
    return max(float(np.sqrt(max(missed, 0.0))), RUN_FLOOR)


def _glides_tell(key: Key, steady: Mapping[Any, GlideModel | None]) -> bool:
    model = steady.get(key[2] == "fine")
    return model is not None and (key[0], key[1]) in model.keys


def _steady(key: Key, steady: Mapping[Any, GlideModel | None]) -> Slowing:
    model = steady.get(key[2] == "fine")
    assert model is not None
    index = model.keys.index((key[0], key[1]))
    b = model.estimate[index : index + 1]
    return Slowing(key, None, (model, b), model.speeds[(key[0], key[1])], (), STEADY_FLOOR)


def _try_runs(model: Slowing, steady: Mapping[Any, GlideModel | None], air: Air) -> list[SlowTrial]:
    """Each run predicted from the others, from steady glides where the others do not reach its speeds; else not at all."""
    out = []
    for run in model.runs:
        others = tuple(r for r in model.runs if r is not run)
        if others and _covers(others, run):
            # few others tell the drag hardly better than one run its own
            share = RUN_FLOOR * float(np.sqrt(1 + 3 / len(others)))
            slowing = Slowing(model.key, fit_runs(others), None, model.speeds, others, share)
            basis = f"{len(others)} other slow-down{'s' if len(others) > 1 else ''}"
        elif _glides_tell(model.key, steady):
            slowing, basis = _steady(model.key, steady), "steady glides"
            if not slowing.reaches(run.ends):
                continue
        else:
            continue
        trial = _trial(run, slowing, basis, air)
        out += [trial] if np.isfinite(trial.predicted) else []
    return out


def _trial(run: Run, slowing: Slowing, basis: str, air: Air) -> SlowTrial:
    ratio = float(np.mean(run.mass_ratio))
    seconds, distance = slow(slowing, run.ends, sink=run.sink, mass_ratio=ratio, root_density=run.root_density)
    grown = amplification(slowing, run.ends, sink=run.sink, mass_ratio=ratio, root_density=run.root_density)
    speed = np.linspace(*run.ends, STEPS)
    steep = slowing.steepness(speed, ratio)
    gust = gust_size(air.points, run.altitude, sortie=run.reference.sortie)
    time, _ = doubt_of(steep, speed, sink=run.sink, root_density=run.root_density,
                       doubt=Doubt(slowing.spread, gust, air.airspeed), middle=(seconds, distance))  # fmt: skip
    moved = air_of(gust, float(np.mean(speed)) * run.root_density, run.seconds) / float(np.mean(steep))
    return SlowTrial(
        configuration_of(slowing.key), run.reference, *run.ends, seconds, time, run.seconds, basis, grown, moved
    )


def _covers(others: tuple[Run, ...], run: Run) -> bool:
    return (
        min(r.ends[1] for r in others) - MARGIN_M_S <= run.ends[1]
        and run.ends[0] <= max(r.ends[0] for r in others) + MARGIN_M_S
    )


def slow(
    model: Slowing, ends: tuple[float, float], *, sink: float, mass_ratio: float, root_density: float
) -> tuple[float, float]:
    """(time [s], distance through the air [m]) between two equivalent airspeeds [m/s]; NaN where the speed does not fall."""
    speed = np.linspace(ends[0], ends[1], STEPS)
    true = speed * root_density
    taken = descent_share(speed, sink=sink, root_density=root_density)
    rate = STANDARD_GRAVITY * (model.steepness(speed, mass_ratio) - taken)
    if not np.all(rate > 0) or ends[0] <= ends[1]:
        return float("nan"), float("nan")
    return float(np.trapezoid(1 / rate[::-1], true[::-1])), float(np.trapezoid(true[::-1] / rate[::-1], true[::-1]))


def amplification(
    model: Slowing, ends: tuple[float, float], *, sink: float, mass_ratio: float, root_density: float
) -> float:
    """By how much an error of the drag grows in the time [1]: the steeper the descent, the smaller what is left to slow with."""
    speed = np.linspace(ends[0], ends[1], STEPS)
    steep = model.steepness(speed, mass_ratio)
    left = steep - descent_share(speed, sink=sink, root_density=root_density)
    return float(np.mean(steep) / np.mean(left)) if np.mean(left) > 0 else float("nan")


def configuration_of(key: Key) -> str:
    """'gear up, flap up', with the propeller where the governor held it."""
    text = f"gear {key[0]}, flap {key[1]}"
    return text if key[2] == "fine" else f"{text}, propeller held by the governor"


def _stages(
    evidence: Evidence, models: tuple[Slowing, ...], *, mass: float, density: float
) -> tuple[tuple[Stage, ...], tuple[str, ...]]:
    keys = tuple(dict.fromkeys(m.key for m in models))
    clean = [k for k in keys if k[0] in ("up", "fixed") and k[1] == "up"]
    if not clean:
        return (), ("a slow-down or steady glides with the engine idling, gear and flaps up",)
    aircraft, options = evidence.settings.aircraft, evidence.options
    limits: list[Any] = [f.limit_speed for f in aircraft.flap_settings]
    highest: float | None = max((float(v) for v in limits if v is not None), default=None)
    flap = options.get("flap_speed", highest)
    gear: float | str | None = options.get("gear_speed", aircraft.gear_operating_speed)
    down = [k for k in keys if k[0] == "down" and k[1] == "up"]
    retracts = any(k[0] in ("up", "down") for k in keys)
    missing = []
    if retracts and gear is None:
        missing.append("the gear's speed: give gear_speed= or aircraft.gear_operating_speed in the settings")
    if flap is None:
        missing.append("the flap's speed: give flap_speed= or limit_speed of a flap setting")
    first = float(gear) if retracts and gear is not None else None if flap is None else float(flap)
    wanted = [(key, *_ends(models, key, options.get("from"), first)) for key in clean]
    if retracts and gear is not None and flap is not None and float(gear) > float(flap):
        wanted += [(key, float(gear), float(flap)) for key in (*clean, *down)]
        if not down:
            missing.append("a slow-down or steady glides with the gear down and the engine idling")
    stages = tuple(
        _stage(_that_reaches(models, key, (a, b)), (a, b), sink, evidence=evidence, mass=mass, density=density)
        for sink in (0.0, float(options.get("sink", USUAL_SINK_M_S)))
        for key, a, b in wanted
    )
    return stages, tuple(missing)


def _ends(models: tuple[Slowing, ...], key: Key, start: float | str | None, stop: float | None) -> tuple[float, float]:
    """From and to [m/s]; what is not given is the end of what a model of the configuration reaches."""
    own = [m.speeds for m in models if m.key == key]
    if stop is None:
        low, high = max(own, key=lambda speeds: speeds[1] - speeds[0])
        return (high if start is None else float(start)), low
    reaching = [high for low, high in own if low - MARGIN_M_S <= stop]
    return (max(reaching or [high for _, high in own]) if start is None else float(start)), stop


def _that_reaches(models: tuple[Slowing, ...], key: Key, ends: tuple[float, float]) -> Slowing:
    """The configuration's first model that reaches both speeds, else its first."""
    own = [m for m in models if m.key == key]
    return next((m for m in own if m.reaches(ends)), own[0])


def _stage(
    model: Slowing, ends: tuple[float, float], sink: float, *, evidence: Evidence, mass: float, density: float
) -> Stage:
    base = evidence.standard_mass
    ratio = mass / base if np.isfinite(mass) and base > 0 else 1.0
    if model.runs:
        flights = len({r.reference.sortie for r in model.runs})
        basis = f"slow-downs: {len(model.runs)}, flights: {flights}"
        used = tuple(r.reference for r in model.runs)
    else:
        glide = model.glides
        assert glide is not None
        points, flights = glide[0].counts[(model.key[0], model.key[1])]
        basis, used = f"steady glides: {points}, flights: {flights}", ()
    where = configuration_of(model.key)
    if not model.reaches(ends):
        return Stage(where, *ends, sink, UNKNOWN, UNKNOWN, basis, "outside the speeds measured", used)
    if ends[0] <= ends[1]:
        return Stage(where, *ends, sink, UNKNOWN, UNKNOWN, basis, "nothing to slow down", used)
    seconds, distance = slow(model, ends, sink=sink, mass_ratio=ratio, root_density=density**-0.5)
    if not np.isfinite(seconds):
        return Stage(where, *ends, sink, UNKNOWN, UNKNOWN, basis, "the speed does not fall at this sink", used)
    speed = np.linspace(*ends, STEPS)
    share = model.spread * float(np.sqrt(1 + 1 / max(len(model.runs), 1)))
    altitudes = [r.altitude for r in model.runs if np.isfinite(r.altitude)]
    gust = gust_size(evidence.points, float(np.median(altitudes)) if altitudes else float("nan"))
    time, way = doubt_of(model.steepness(speed, ratio), speed, sink=sink, root_density=density**-0.5,
                         doubt=Doubt(share, gust, evidence.settings.airspeed_uncertainty), middle=(seconds, distance))  # fmt: skip
    why = "" if time.is_known else "within what the drag and the air may be off, the speed might not fall at this sink"
    return Stage(where, *ends, sink, time, way, basis, why, used)
