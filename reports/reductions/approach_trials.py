"""Every recorded approach predicted from the glides of other flights, key to key, and the band of each prediction.

What the approach was flown like (speeds, bank, mass, times, gear and flap) is as recorded: in the band are the measured
sink, configurations not measured, a new day, mass, bank, the instruments, and the air that rose or sank on the way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...shared.physics.glide import height_of_speed_change
from .approach_air import Wander, gust_size, height_doubt, wander_of
from .approach_history import SHORTEST_S, PastApproach
from .approach_sink import Floats, GlideModel, fit_without_misread, parasite_of, slope_of
from .bands import Band, band_of_draws
from .evidence import Evidence
from .resampling import seed_of
from .sheet import LeftOut, Reference
from .transients import flap_levels, own_events

if TYPE_CHECKING:
    import pandas as pd

DRAWS = 400
MOMENTS = 160  # of an approach that are drawn; the middle value uses all
BANK_RAD = np.radians(1.0)  # what a recorded bank may be off as a whole; common practice, no source
END_M = 1.5  # of the altitude at either end: lag, and a static source that reads otherwise at another speed and flap; the same
STEEPEST_BANK = 1.3


@dataclass(frozen=True, slots=True)
class Trial:
    """A stretch of a past approach: height lost as predicted from other glides, with its band, and as flown [m]."""

    sortie: str
    approach_s: float  # start of the approach it belongs to
    stretch: str
    reference: Reference
    seconds: float
    band: Band
    achieved: float
    own_flight: bool  # the flight's own glides are in its prediction, as there are no others
    inferred: bool
    assumed: tuple[str, ...]
    air: float  # standard uncertainty of it that the air on the way makes alone [m]

    @property
    def predicted(self) -> float:
        """Height lost [m] as predicted."""
        return self.band.value

    @property
    def error(self) -> float:
        """Predicted over achieved, less 1."""
        return self.predicted / self.achieved - 1 if self.achieved > 0 else float("nan")

    @property
    def holds(self) -> bool:
        """Whether the band holds what was achieved."""
        return self.band.holds(self.achieved)


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """Sink along an approach at constant speed [m/s]: rate (n,); drawn (draws, moments) at the times of `moments`."""

    rate: Floats
    moments: Floats
    drawn: Floats
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tried:
    """Trials, vertical gusts of all own approaches and points near their height [m/s, root mean square], what was left out."""

    trials: tuple[Trial, ...]
    gust: float
    left_out: tuple[LeftOut, ...]


def try_approaches(approaches: tuple[PastApproach, ...], glides: pd.DataFrame, evidence: Evidence) -> Tried:
    """Each approach predicted from the glides of other flights with its own speeds, bank, mass and times, key to key."""
    levels = flap_levels(own_events(evidence))
    share = evidence.settings.uncertainty.mass_share
    told: list[tuple[PastApproach, Along, bool]] = []
    left: list[LeftOut] = []
    models: dict[str, tuple[GlideModel | None, bool]] = {}
    for one in approaches:
        if one.sortie not in models:
            models[one.sortie] = _model_without(one, glides, evidence.standard_mass)
        model, own = models[one.sortie]
        along = None if model is None else sink_along(one, model, levels, mass_share=share)
        if along is None:
            why = "a configuration it was flown in has no measured glide"
            left.append(LeftOut(f"approach at {one.time_s[0]:.0f} s of {one.sortie}", why, one.reference))
        else:
            told.append((one, along, own))
    wanders = [(one.sortie, _wander(one, along)) for one, along, _ in told]
    airspeed = evidence.settings.airspeed_uncertainty
    trials = []
    for one, along, own in told:
        here = [wander for sortie, wander in wanders if sortie == one.sortie]
        gust = gust_size(evidence.points, one.altitude, sortie=one.sortie, wanders=here)
        trials += [_trial(one, along, span, own=own, doubt=(gust, airspeed)) for span in spans(one)]
    altitude = float(np.mean([one.altitude for one in approaches])) if approaches else float("nan")
    every = gust_size(evidence.points, altitude, wanders=[wander for _, wander in wanders])
    return Tried(tuple(trials), every, tuple(left))


def _wander(one: PastApproach, along: Along) -> Wander:
    """How the air moved along an approach."""
    given_back = height_of_speed_change(one.true_airspeed[0], one.true_airspeed)
    return wander_of(one.time_s, one.lost + given_back, rate=along.rate, speed=one.true_airspeed)


def _model_without(one: PastApproach, glides: pd.DataFrame, mass: float) -> tuple[GlideModel | None, bool]:
    """The model of the other flights' glides; with its own where the others do not tell its configurations."""
    others = glides[glides["sortie"] != one.sortie].reset_index(drop=True)
    for chosen, own in ((others, False), (glides, True)):
        model = fit_without_misread(chosen, mass)[0]
        if model is not None and {k for k, v in one.shares.items() if v.mean() > 0.2} <= set(model.keys):
            return model, own
    return fit_without_misread(glides, mass)[0], True


def sink_along(one: PastApproach, model: GlideModel, levels: Mapping[str, float], *, mass_share: float) -> Along | None:
    """Sink along an approach, or None where a configuration it was flown in is not told. mass_share: standard uncertainty."""
    random = np.random.default_rng(seed_of(one.sortie, round(one.start_s, 3)))
    draws = model.draws(DRAWS, random)
    aside = random.standard_normal((DRAWS, 1)) / np.sqrt(3)
    some = np.unique(np.linspace(0, len(one.time_s) - 1, MOMENTS).astype(int))
    middle, drawn, assumed = np.zeros(len(one.time_s)), np.zeros((DRAWS, len(some))), []
    for key, share in one.shares.items():
        value, half, how = parasite_of(model, key, levels=levels, draws=model.estimate[None, :])
        each = parasite_of(model, key, levels=levels, draws=draws)[0]
        if value is None or each is None:
            return None
        middle = middle + share * value
        drawn = drawn + np.maximum(each[:, None] + aside * half, 0.0) * share[some]
        if how != "measured":
            assumed.append(f"gear {key[0]}, flap {key[1]}: {how}")
    mass, relative, bank = _load(one, model)
    level = 1 / np.cos(np.minimum(bank, STEEPEST_BANK))
    steepness = slope_of(
        model, middle, model.estimate[None, :], speed=one.equivalent_airspeed, load=(level, mass, relative)
    )
    banked = np.clip(
        bank[some] + random.normal(0.0, BANK_RAD, (DRAWS, 1)) * (bank[some] > BANK_RAD), 0.0, STEEPEST_BANK
    )
    load = (1 / np.cos(banked), mass[some] * (1 + random.normal(0.0, mass_share, (DRAWS, 1))), relative[some])
    scattered = slope_of(model, drawn, draws, speed=one.equivalent_airspeed[some], load=load)
    scattered = scattered * (
        1 + random.normal(0.0, model.day, (DRAWS, 1)) + _unknown_propeller(model, relative[some], random)
    )
    return Along(steepness * one.true_airspeed, one.time_s[some], scattered * one.true_airspeed[some], tuple(assumed))


def _load(one: PastApproach, model: GlideModel) -> tuple[Floats, Floats, Floats]:
    """(mass over the standard mass, revolutions per metre over the model's, bank [rad] without its sign) along it, 1 where unknown."""
    mass, relative = one.mass / model.standard_mass, one.ratio / model.ratio
    return (
        np.where(np.isfinite(mass), mass, 1.0),
        np.where(np.isfinite(relative), relative, 1.0),
        np.abs(one.bank),
    )


def _unknown_propeller(model: GlideModel, relative: Floats, random: np.random.Generator) -> Floats:
    """Share of the sink (draws, moments) that a propeller turning otherwise may take where the glides do not tell it.

    As large as the difference in revolutions, one standard deviation: common practice, no source.
    """
    drawn = random.standard_normal((DRAWS, 1))
    return np.asarray(drawn * (0.0 if model.knows_propeller else 1.0) * (relative - 1))


def spans(one: PastApproach) -> list[tuple[str, int, int]]:
    """(name, first, last index) of its stretches between keys that take long enough to tell anything."""
    end = len(one.time_s) - 1
    high, low = one.keys.get("overhead"), one.keys.get("abeam")
    named = [("high key to low key", high, low), ("low key to the end", low, end), ("high key to the end", high, end)]
    return [
        (n, a, b)
        for n, a, b in named
        if a is not None and b is not None and one.time_s[b] - one.time_s[a] >= SHORTEST_S
    ]


def _trial(
    one: PastApproach, along: Along, span: tuple[str, int, int], *, own: bool, doubt: tuple[float, float]
) -> Trial:
    """doubt: gusts [m/s], standard uncertainty of the airspeed [m/s]."""
    name, a, b = span
    gust, airspeed = doubt
    seconds = float(one.time_s[b] - one.time_s[a])
    sunk = float(np.trapezoid(along.rate[a : b + 1], one.time_s[a : b + 1]))
    given_back = float(height_of_speed_change(one.true_airspeed[a], one.true_airspeed[b]))
    way = float(np.mean(one.true_airspeed[a : b + 1]))
    air = float(height_doubt(gust, np.array([way]), np.array([seconds]))[0])
    random = np.random.default_rng(seed_of(one.sortie, round(one.start_s, 3), name))
    inside = (along.moments >= one.time_s[a]) & (along.moments <= one.time_s[b])
    drawn = np.mean(along.drawn[:, inside], axis=1) * seconds
    drawn = drawn + sunk - np.median(drawn)  # a few moments stand for all in how the draws differ, not in the middle
    misread = 1 + random.normal(0.0, airspeed / way, DRAWS)
    other = random.normal(0.0, np.hypot(air, np.sqrt(2) * END_M), DRAWS)
    return Trial(
        one.sortie, one.start_s, name,
        Reference(one.sortie, None, float(one.time_s[a]), float(one.time_s[b])), seconds,
        band_of_draws(drawn - given_back * misread**2 + other, unit="m", value=sunk - given_back),
        float(one.lost[b] - one.lost[a]), own, one.inferred, along.assumed, air,
    )  # fmt: skip
