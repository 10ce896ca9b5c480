"""Approaches flown without power, as recorded: what was flown, and what the measured sink would have told of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.energy import geometric_climb_rate
from ...shared.physics.glide import height_of_speed_change
from .approach_sink import (
    NO_POWER,
    Floats,
    GlideModel,
    commonest,
    fit_without_misread,
    gear_words,
    parasite_of,
    slope_of,
)
from .evidence import Evidence
from .sheet import LeftOut, Reference
from .transients import Move, flap_levels, moves_of, own_events, shares_of

if TYPE_CHECKING:
    import pandas as pd

SETTLED_S = 5.0  # after the power is cut: until the propeller has slowed; common practice, no source
BEFORE_POWER_S = 1.0
MEAN_S = 2.0
TURNING_RAD = np.radians(12.0)
SHORTEST_S = 10.0
MOST_MISSING = 0.1
LONGEST_GAP_S = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class PastApproach:
    """One recorded approach without power, arrays (n,) from the first moment told to the last without power.

    lost: height lost since the first sample [m, tapeline]; shares: (gear, flap) -> share of each moment.
    keys: name -> index of the overhead and abeam key, absent where it was not passed. facts: as detected.
    """

    sortie: str
    reference: Reference
    time_s: Floats
    equivalent_airspeed: Floats
    true_airspeed: Floats
    bank: Floats
    mass: Floats
    ratio: Floats
    ground_speed: Floats
    density_ratio: Floats
    lost: Floats
    shares: Mapping[tuple[str, str], Floats]
    keys: Mapping[str, int]
    start_s: float  # of the manoeuvre
    stop_s: float  # of the manoeuvre: its lowest point or touchdown
    moves: tuple[Move, ...]  # gear and flap movements begun within the manoeuvre
    propulsion: str
    facts: Mapping[str, Any]
    inferred: bool

    @property
    def fine(self) -> float:
        """Median engine revolutions per metre [1/m], NaN where not recorded."""
        known = self.ratio[np.isfinite(self.ratio)]
        return float(np.median(known)) if len(known) else float("nan")


@dataclass(frozen=True, slots=True)
class Trial:
    """A stretch of a past approach: height lost as predicted from other glides and as flown [m]."""

    sortie: str
    approach_s: float  # start of the approach it belongs to
    stretch: str
    reference: Reference
    seconds: float
    predicted: float
    achieved: float
    own_flight: bool  # the flight's own glides are in its prediction, as there are no others
    inferred: bool
    assumed: tuple[str, ...]

    @property
    def error(self) -> float:
        """Predicted over achieved, less 1."""
        return self.predicted / self.achieved - 1 if self.achieved > 0 else float("nan")


def past_approaches(evidence: Evidence) -> tuple[tuple[PastApproach, ...], tuple[LeftOut, ...]]:
    """Every power-off pattern of the evidence that can be told, and those that cannot with the reason."""
    found = evidence.programme.manoeuvres(kind="power_off_pattern")
    found = found[found["sortie"].isin(evidence.sorties)]
    events = own_events(evidence)
    inferred = evidence.inferred()
    told, left = [], []
    for row in found.to_dict("records"):
        sortie = str(row["sortie"])
        where = Reference(sortie, None, float(row["start_s"]), float(row["stop_s"]))
        samples = evidence.programme.samples(sortie, start=where.start_s, stop=where.stop_s)
        one = _approach(row, samples, events, evidence=evidence, inferred=sortie in inferred)
        if isinstance(one, str):
            left.append(LeftOut(f"approach at {where.start_s:.0f} s of {sortie}", one, where))
        else:
            told.append(one)
    return tuple(told), tuple(left)


def _approach(
    row: Mapping[str, Any], samples: pd.DataFrame, events: pd.DataFrame, *, evidence: Evidence, inferred: bool
) -> PastApproach | str:
    for name in ("equivalent_airspeed", "true_airspeed", "pressure_altitude", "bank"):
        if name not in samples or samples[name].isna().mean() > MOST_MISSING:
            return f"no {name.replace('_', ' ')} through it"
    facts, time = row["facts"], samples["t"].to_numpy(dtype=np.float64)
    first, stop = _without_power(samples, time, facts)
    if stop - first < 2 or time[stop - 1] - time[first] < SHORTEST_S:
        return "too short without power"
    part = samples.iloc[first:stop]
    time = time[first:stop]
    longest = float(np.max(np.diff(time)))
    if longest > LONGEST_GAP_S:
        return f"nothing is recorded for {longest:.0f} s of it"
    width = max(1, round(MEAN_S / max(float(np.median(np.diff(time))), 1e-3)))
    speed, true = (_mean(part[c], width) for c in ("equivalent_airspeed", "true_airspeed"))
    moves = moves_of(events, str(row["sortie"]))
    gear = shares_of(moves, "gear", gear_words(part["gear"], evidence), time_s=time)
    if set(gear_words(part["gear"], evidence)) == {"fixed"}:
        gear = {"fixed": np.ones(len(time))}
    flap = shares_of(moves, "flap", part["flap"], time_s=time)
    within = tuple(m for m in moves if float(row["start_s"]) <= m.start_s <= time[-1])
    keys = {
        name: int(np.searchsorted(time, float(facts[f"{name}_s"])))
        for name in ("overhead", "abeam")
        if facts.get(f"{name}_s") is not None and facts[f"{name}_s"] < time[-1]
    }
    return PastApproach(
        str(row["sortie"]),
        Reference(str(row["sortie"]), None, float(time[0]), float(time[-1])),
        time, speed, true,
        _mean(part["bank"], width),
        _column(part, "mass", width), _column(part, "engine_speed", width) / true,
        _column(part, "ground_speed", width), _column(part, "density_ratio", width),
        _height_lost(part),
        {(g, f): a * b for g, a in gear.items() for f, b in flap.items() if np.any(a * b > 0)},
        keys, float(row["start_s"]), float(row["stop_s"]), within, commonest(part["propulsion"]), facts, inferred or any(not m.recorded for m in within),
    )  # fmt: skip


def _without_power(samples: pd.DataFrame, time: Floats, facts: Mapping[str, Any]) -> tuple[int, int]:
    """First index from the first key on with the power gone for a while; one past the last before it comes back."""
    idle = samples["power"].isin(NO_POWER).to_numpy(dtype=bool)
    key = next((facts[f"{k}_s"] for k in ("overhead", "abeam") if facts.get(f"{k}_s") is not None), time[0])
    begun = idle & (time >= float(key) - SETTLED_S)
    if not begun.any():
        return 0, 0
    cut = int(np.argmax(begun))
    first = cut if cut == 0 else int(np.searchsorted(time, time[cut] + SETTLED_S))
    first = max(first, int(np.searchsorted(time, float(key))))
    after = np.flatnonzero(idle)
    stop = int(np.searchsorted(time, time[after[-1]] - BEFORE_POWER_S)) if after[-1] < len(time) - 1 else len(time)
    return first, max(stop, first)


def _mean(values: pd.Series, width: int) -> Floats:
    known = values.astype(np.float64).interpolate(limit_direction="both").to_numpy(dtype=np.float64)
    kernel = np.ones(width) / width
    return np.asarray(np.convolve(np.pad(known, (width // 2, width - 1 - width // 2), mode="edge"), kernel, "valid"))


def _column(part: pd.DataFrame, name: str, width: int) -> Floats:
    if name not in part or part[name].isna().all():
        return np.full(len(part), np.nan)
    return _mean(part[name], width)


def _height_lost(part: pd.DataFrame) -> Floats:
    """Tapeline height lost since the first sample [m]: pressure altitude steps stretched by temperature where known."""
    altitude = (
        part["pressure_altitude"].astype(np.float64).interpolate(limit_direction="both").to_numpy(dtype=np.float64)
    )
    steps = -np.diff(altitude, prepend=altitude[0])
    if "static_air_temperature" in part and not part["static_air_temperature"].isna().all():
        from ...shared.physics.atmosphere import standard_temperature

        temperature = part["static_air_temperature"].astype(np.float64).interpolate(limit_direction="both")
        steps = geometric_climb_rate(steps, temperature, standard_temperature=standard_temperature(altitude))
    return np.asarray(np.cumsum(steps), dtype=np.float64)


def try_approaches(
    approaches: tuple[PastApproach, ...], glides: pd.DataFrame, evidence: Evidence
) -> tuple[tuple[Trial, ...], tuple[LeftOut, ...]]:
    """Each approach predicted from the glides of other flights with its own speeds, bank, mass and times, key to key."""
    levels = flap_levels(own_events(evidence))
    trials: list[Trial] = []
    left: list[LeftOut] = []
    models: dict[str, tuple[GlideModel | None, bool]] = {}
    for one in approaches:
        if one.sortie not in models:
            models[one.sortie] = _model_without(one, glides, evidence.standard_mass)
        model, own = models[one.sortie]
        rate = None if model is None else sink_along(one, model, levels)
        if rate is None:
            left.append(
                LeftOut(
                    f"approach at {one.time_s[0]:.0f} s of {one.sortie}",
                    "a configuration it was flown in has no measured glide",
                    one.reference,
                )
            )
            continue
        trials += [_trial(one, rate, span, own=own) for span in _spans(one)]
    return tuple(trials), tuple(left)


def _model_without(one: PastApproach, glides: pd.DataFrame, mass: float) -> tuple[GlideModel | None, bool]:
    """The model of the other flights' glides; with its own where the others do not tell its configurations."""
    others = glides[glides["sortie"] != one.sortie].reset_index(drop=True)
    for chosen, own in ((others, False), (glides, True)):
        model = fit_without_misread(chosen, mass)[0]
        if model is not None and {k for k, v in one.shares.items() if v.mean() > 0.2} <= set(model.keys):
            return model, own
    return fit_without_misread(glides, mass)[0], True


def sink_along(
    one: PastApproach, model: GlideModel, levels: Mapping[str, float]
) -> tuple[Floats, tuple[str, ...]] | None:
    """(sink rate at constant speed [m/s], (n,); configurations that were not measured) along an approach, or None."""
    draws = model.estimate[None, :]
    parasite, assumed = np.zeros(len(one.time_s)), []
    for key, share in one.shares.items():
        value, _, how = parasite_of(model, key, levels=levels, draws=draws)
        if value is None:
            return None
        parasite = parasite + share * value
        if how != "measured":
            assumed.append(f"gear {key[0]}, flap {key[1]}: {how}")
    mass = one.mass / model.standard_mass
    relative = one.ratio / model.ratio
    load = (
        1 / np.cos(np.minimum(np.abs(one.bank), 1.3)),
        np.where(np.isfinite(mass), mass, 1.0),
        np.where(np.isfinite(relative), relative, 1.0),
    )
    steepness = slope_of(model, parasite, draws, speed=one.equivalent_airspeed, load=load)
    return steepness * one.true_airspeed, tuple(assumed)


def _spans(one: PastApproach) -> list[tuple[str, int, int]]:
    end = len(one.time_s) - 1
    high, low = one.keys.get("overhead"), one.keys.get("abeam")
    spans = [("high key to low key", high, low), ("low key to the end", low, end), ("high key to the end", high, end)]
    return [
        (n, a, b)
        for n, a, b in spans
        if a is not None and b is not None and one.time_s[b] - one.time_s[a] >= SHORTEST_S
    ]


def _trial(one: PastApproach, rate: tuple[Floats, tuple[str, ...]], span: tuple[str, int, int], *, own: bool) -> Trial:
    name, a, b = span
    steps = np.diff(one.time_s[a : b + 1])
    sunk = float(np.sum((rate[0][a:b] + rate[0][a + 1 : b + 1]) / 2 * steps))
    predicted = sunk - float(height_of_speed_change(one.true_airspeed[a], one.true_airspeed[b]))
    where = Reference(one.sortie, None, float(one.time_s[a]), float(one.time_s[b]))
    achieved = float(one.lost[b] - one.lost[a])
    return Trial(
        one.sortie,
        one.start_s,
        name,
        where,
        float(one.time_s[b] - one.time_s[a]),
        predicted,
        achieved,
        own,
        one.inferred,
        rate[1],
    )


def leg_starts(one: PastApproach) -> dict[str, float]:
    """Leg -> its start [s], of downwind, base and final, those that were told; and 'overhead', 'abeam': the keys."""
    starts = {name: float(one.time_s[index]) for name, index in one.keys.items()}
    at = one.stop_s - float(one.facts.get("flare_s") or 0.0)
    for name in ("final", "base", "downwind"):
        seconds = one.facts.get(f"{name}_s")
        if seconds is None:
            break
        at -= float(seconds)
        starts[name] = at
    return starts


def mean_bank(one: PastApproach) -> float:
    """Mean bank of its turns [rad], NaN without any."""
    bank = np.abs(one.bank)
    turning: NDArray[np.bool_] = bank > TURNING_RAD
    return float(np.mean(bank[turning])) if turning.any() else float("nan")
