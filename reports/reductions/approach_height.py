"""Height needed at each key by Monte Carlo: the same draws on every run, and what each source of doubt is worth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from .approach_air import height_doubt
from .approach_pattern import LEGS, STEPS, Flown, Profile, Step, classes_flown, fly_pattern
from .approach_plan import Plan
from .approach_sink import SPEED_MARGIN_M_S, Floats, GlideModel, Key, parasite_of
from .bands import Band, band_of_draws
from .transients import Travel

DRAWS = 600
SEED = 20
MASS_MARGIN = 0.05
DENSITY_MARGIN = 0.06  # of the density ratio, some 2,000 ft; common practice, no source
MOST_WIND = 0.5
LIKELY = 0.9
UNKNOWN_TRAVEL_S = 7.0  # taken where a movement was never timed; common practice, no source
SOURCES: dict[str, str] = {
    "sink": "measured sink of the configurations",
    "unmeasured": "configurations not measured, between others",
    "air": "air and mass of the day",
    "gusts": "air that rises or sinks on the way",
    "speed": "speed flown",
    "bank": "bank flown",
    "wind": "wind",
    "ground": "where the legs are flown",
    "travel": "gear and flap travel times",
    "instruments": "airspeed and height instruments",
}


@dataclass(frozen=True, slots=True)
class Keys:
    """Height [m] above the touchdown point needed at one key: median with band, that which nine in ten stay under, shares of variance."""

    name: str
    height: Band
    nine_in_ten: float
    shares: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Leg:
    """Time [s] and height lost [m] on one leg of the pattern, from the high key on; the flare stands beside them."""

    name: str
    seconds: Band
    height: Band


@dataclass(frozen=True, slots=True, eq=False)
class Heights:
    """The answer: both keys, each leg, the height along the pattern (time, median, low, high of the band), a circle more, the flare's part."""

    keys: tuple[Keys, ...]
    legs: tuple[Leg, ...]
    time: Floats
    median: Floats
    low: Floats
    high: Floats
    low_key: int
    circle: Band
    final: Band
    flare: Band
    assumed: tuple[str, ...]


def refusals(plan: Plan, model: GlideModel, levels: Mapping[str, float], *, thinnest: float) -> tuple[str, ...]:
    """Why the plan goes beyond what was measured; empty when it does not. Numbers in SI: faces say them in other words.

    thinnest: lowest density ratio of glides and own approaches, NaN unknown.
    """
    out = []
    steps = tuple(Step(m.device, m.word, m.position, np.zeros(1)) for m in plan.schedule)
    for key in classes_flown(steps, plan.start):
        value, _, _ = parasite_of(model, key, levels=levels, draws=model.estimate[None, :])
        if value is None:
            out.append(f"no glide was measured with gear {key[0]}, flap {key[1]}")
    low, high = model.masses
    if np.isfinite([low, high, plan.mass]).all() and not low * (1 - MASS_MARGIN) <= plan.mass <= high * (
        1 + MASS_MARGIN
    ):
        out.append("the mass lies outside that of the glides measured")
    if np.isfinite(thinnest) and plan.density_ratio < thinnest - DENSITY_MARGIN:
        out.append("the density altitude lies above that of the glides and own approaches measured")
    if abs(plan.headwind) > MOST_WIND * min(plan.speed, plan.final_speed):
        out.append("the wind is more than half the airspeed: a pattern is not flown so")
    return tuple(out)


def speeds_outside(plan: Plan, model: GlideModel) -> tuple[tuple[str, Key, float, tuple[float, float]], ...]:
    """(leg, configuration, speed, measured range) of each speed planned outside the measured range of its configuration."""
    gear, flap = plan.start
    checks = [("before final", plan.start, plan.speed)]
    for move in plan.schedule:
        gear, flap = (move.word, flap) if move.device == "gear" else (gear, move.word)
        on_final = move.position == "final"
        checks.append(
            ("on final" if on_final else "before final", (gear, flap), plan.final_speed if on_final else plan.speed)
        )
    checks.append(("on final", (gear, flap), plan.final_speed))
    out = []
    for leg, key, speed in dict.fromkeys(checks):
        low, high = model.speeds.get(key, (speed, speed))
        if not low - SPEED_MARGIN_M_S <= speed <= high + SPEED_MARGIN_M_S:
            out.append((leg, key, speed, (low, high)))
    return tuple(out)


def needed_heights(
    plan: Plan,
    model: GlideModel,
    *,
    levels: Mapping[str, float],
    travels: Iterable[Travel],
    doubt: Mapping[str, float],
) -> Heights:
    """Heights of the plan. doubt: standard uncertainties 'air' [share of the sink], 'gust' [m/s, vertical, root mean square],
    'airspeed' [m/s], 'sink' [share], 'mass' [share]."""
    travels = tuple(travels)
    whole = _fly(plan, model, levels=levels, travels=travels, doubt=doubt, active=frozenset(SOURCES))
    alone = {
        name: _fly(plan, model, levels=levels, travels=travels, doubt=doubt, active=frozenset({name}))
        for name in SOURCES
    }
    keys = []
    for name, column in (("high key", 0), ("low key", whole.low_key)):
        drawn = whole.height[:, column]
        parts = {source: float(np.var(one.height[:, column])) for source, one in alone.items()}
        total = sum(parts.values())
        shares = {source: part / total if total > 0 else 0.0 for source, part in parts.items()}
        keys.append(Keys(name, band_of_draws(drawn, unit="m"), float(np.quantile(drawn, LIKELY)), shares))
    low, median, high = np.quantile(whole.height, [0.025, 0.5, 0.975], axis=0)
    return Heights(
        tuple(keys), _legs(whole), np.median(whole.time, axis=0), median, low, high, whole.low_key,
        band_of_draws(whole.circle, unit="m"), band_of_draws(whole.final, unit="m"), band_of_draws(whole.flare, unit="m"),
        _assumed(plan, model, levels, travels),
    )  # fmt: skip


def _legs(whole: Profile) -> tuple[Leg, ...]:
    """Each leg alone: what is common to all of them, the sink say, is in each."""
    edges = np.arange(len(LEGS) + 1) * STEPS
    seconds, lost = np.diff(whole.time[:, edges], axis=1), -np.diff(whole.height[:, edges], axis=1)
    return tuple(
        Leg(name, band_of_draws(seconds[:, i], unit="s"), band_of_draws(lost[:, i], unit="m"))
        for i, name in enumerate(LEGS)
    )


def _with_gusts(whole: Profile, noise: Floats, gust: float, true_speed: Floats) -> Profile:
    """The profile with each leg's own air in it: noise (n, legs) in units of what the gusts [m/s] leave in doubt of a leg."""
    edges = np.arange(len(LEGS) + 1) * STEPS
    seconds = np.diff(whole.time[:, edges], axis=1)
    sunk = noise * height_doubt(gust, true_speed[:, None], seconds)
    spread = np.repeat(sunk / STEPS, STEPS, axis=1)
    above = np.concatenate([np.cumsum(spread[:, ::-1], axis=1)[:, ::-1], np.zeros((len(spread), 1))], axis=1)
    return replace(whole, height=whole.height + above)


def _assumed(
    plan: Plan, model: GlideModel, levels: Mapping[str, float], travels: tuple[Travel, ...]
) -> tuple[str, ...]:
    out = []
    steps = tuple(Step(m.device, m.word, m.position, np.zeros(1)) for m in plan.schedule)
    for key in classes_flown(steps, plan.start):
        how = parasite_of(model, key, levels=levels, draws=model.estimate[None, :])[2]
        if how != "measured":
            out.append(f"gear {key[0]}, flap {key[1]}: {how}")
    out += [
        f"{m.device} to {m.word}: no travel was timed, {UNKNOWN_TRAVEL_S:.0f} s taken"
        for m, before in zip(plan.schedule, _befores(plan), strict=True)
        if _travel_of(m.device, before, m.word, travels) is None
    ]
    return tuple(out)


def _fly(
    plan: Plan,
    model: GlideModel,
    *,
    levels: Mapping[str, float],
    travels: tuple[Travel, ...],
    doubt: Mapping[str, float],
    active: frozenset[str],
) -> Profile:
    random = np.random.default_rng(SEED)
    noise = {name: random.standard_normal(DRAWS) for name in
             ("speed", "final_speed", "bank", "headwind", "abeam", "downwind", "relative", "air", "mass", "airspeed", "sink", "unmeasured", "travel")}  # fmt: skip
    draws = model.draws(DRAWS, random)
    if "sink" not in active:
        draws = np.repeat(model.estimate[None, :], DRAWS, axis=0)

    def drawn(name: str, source: str, scale: float) -> Floats:
        return noise[name] * scale if source in active else np.zeros(DRAWS)

    spread = plan.spread
    relative = plan.ratio / model.ratio if np.isfinite(plan.ratio / model.ratio) else 1.0
    misread = drawn("airspeed", "instruments", doubt["airspeed"])
    flown = Flown(
        plan.speed + drawn("speed", "speed", spread["speed"]),
        plan.final_speed + drawn("final_speed", "speed", spread["final_speed"]),
        np.clip(plan.bank + drawn("bank", "bank", spread["bank"]), np.radians(8.0), np.radians(65.0)),
        plan.headwind + drawn("headwind", "wind", spread["headwind"]),
        np.maximum(plan.abeam + drawn("abeam", "ground", spread["abeam"]), 0.0),
        np.maximum(plan.downwind + drawn("downwind", "ground", spread["downwind"]), 0.0),
        plan.mass * (1 + drawn("mass", "air", doubt["mass"])),
        relative * (1 + drawn("relative", "sink", spread["relative"])),
        (1 + misread / plan.speed) / np.sqrt(plan.density_ratio),
    )
    air = drawn("air", "air", doubt["air"]) + drawn("sink", "instruments", doubt["sink"])
    aside = drawn("unmeasured", "unmeasured", 1 / np.sqrt(3))
    parasite = _parasites(plan, model, levels, draws=draws, aside=aside)
    schedule = _steps(plan, travels, drawn("travel", "travel", 1.0))
    whole = fly_pattern(flown, schedule, start=plan.start, parasite=parasite, sink=(model, draws, air))
    gusts = random.standard_normal((DRAWS, len(LEGS))) * (1.0 if "gusts" in active else 0.0)
    return _with_gusts(whole, gusts, doubt["gust"], flown.speed * flown.root_density)


def _parasites(
    plan: Plan, model: GlideModel, levels: Mapping[str, float], *, draws: Floats, aside: Floats
) -> dict[Key, Floats]:
    """b of every combination (n,); aside: draws in units of half the range of what is not sure."""
    gears = [plan.start[0], *(m.word for m in plan.schedule if m.device == "gear")]
    flaps = [plan.start[1], *(m.word for m in plan.schedule if m.device == "flap")]
    out: dict[Key, Floats] = {}
    for flap in flaps:
        for gear in reversed(gears):
            value, half, _ = parasite_of(model, (gear, flap), levels=levels, draws=draws)
            if value is not None:
                out[(gear, flap)] = np.maximum(value + aside * half, 0.0)
            elif (gears[-1], flap) in out:
                out[(gear, flap)] = out[(gears[-1], flap)]  # never held: gone through while both travel
    return out


def _befores(plan: Plan) -> list[str]:
    state = {"gear": plan.start[0], "flap": plan.start[1]}
    out = []
    for move in plan.schedule:
        out.append(state[move.device])
        state[move.device] = move.word
    return out


def _steps(plan: Plan, travels: tuple[Travel, ...], noise: Floats) -> tuple[Step, ...]:
    steps = []
    for move, before in zip(plan.schedule, _befores(plan), strict=True):
        travel = _travel_of(move.device, before, move.word, travels)
        middle = UNKNOWN_TRAVEL_S if travel is None else travel.time.value
        spread = UNKNOWN_TRAVEL_S / 4 if travel is None else travel.time.standard_uncertainty
        steps.append(Step(move.device, move.word, move.position, np.maximum(middle + noise * spread, 0.1)))
    return tuple(steps)


def _travel_of(device: str, before: str, after: str, travels: tuple[Travel, ...]) -> Travel | None:
    wanted = "gear down" if device == "gear" else f"flap {before} to {after}"
    return next((t for t in travels if t.movement == wanted and t.recorded), None)
