"""An approach without power as legs: overhead the touchdown point, abeam it, base in one turn, final, flare.

The pattern, seen in still air: half a circle from overhead to abeam with a straight part where the distance abeam is
more than the circle's; downwind past the touchdown point; half a circle of base; final. Wind along the runway moves
the turns; wind across it is taken as laid off. Every quantity is an array of draws, shape (n,).

Equivalent airspeed is held, so that true airspeed falls on the way down and gives back 1 to 2 % of the height
(shared.physics.energy.energy_over_height).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ...shared.physics.atmosphere import altitude_of_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY
from ...shared.physics.energy import energy_over_height
from ...shared.physics.flare import flare_height
from ...shared.physics.glide import height_of_speed_change
from ...shared.physics.turn import turn_radius
from .approach_sink import Floats, GlideModel, Key, slope_of

POSITIONS = ("before", "high key", "low key", "base", "final")
LEGS = ("high key to low key", "downwind", "base", "final")
STEPS = 24  # moments integrated in each leg
SLOWING = 6  # of them, on final, in which the speed is changed
FLARE_LOAD_FACTOR = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Flown:
    """What is flown, arrays (n,) SI: equivalent airspeeds before final and on it, bank [rad], wind against the landing
    direction, distance abeam, downwind leg past the touchdown point, mass, revolutions per metre over the model's."""

    speed: Floats
    final_speed: Floats
    bank: Floats
    headwind: Floats
    abeam: Floats
    downwind: Floats
    mass: Floats
    relative: Floats
    root_density: Floats  # true over equivalent airspeed


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A movement of the schedule: where it is begun, what it leads to, its travel time [s], (n,)."""

    device: str
    word: str
    position: str
    seconds: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Heights [m] above the touchdown point and times [s] from the high key, (n, moments), falling to the flare's height;
    low_key: index of that moment; circle: height that a full circle more costs, (n,); final: length of final [m]."""

    time: Floats
    height: Floats
    low_key: int
    circle: Floats
    final: Floats
    flare: Floats

    @property
    def high_key_height(self) -> Floats:
        """Height needed overhead the touchdown point, (n,)."""
        return self.height[:, 0]

    @property
    def low_key_height(self) -> Floats:
        """Height needed abeam it, (n,)."""
        return self.height[:, self.low_key]


def fly_pattern(
    flown: Flown,
    schedule: tuple[Step, ...],
    *,
    start: Key,
    parasite: Mapping[Key, Floats],
    sink: tuple[GlideModel, Floats, Floats],
) -> Profile:
    """Height needed along the pattern. start: gear and flap before the high key; parasite: class -> b (n,); sink: (model,
    its draws (n, parameters), the air's share of the sink, (n,))."""
    true, final_true = flown.speed * flown.root_density, flown.final_speed * flown.root_density
    radius = turn_radius(true, flown.bank)
    across = np.maximum(flown.abeam - 2 * radius, 0.0)
    half_circle = np.pi * radius / true
    around = half_circle + across / true
    to_low_key = around * true / np.maximum(true + flown.headwind, 1.0)
    downwind = flown.downwind / np.maximum(true + flown.headwind, 1.0)
    final = np.maximum(flown.downwind + flown.headwind * around, 0.0)
    seconds = np.stack([to_low_key, downwind, around, final / np.maximum(final_true - flown.headwind, 1.0)])
    starts = np.concatenate([np.zeros((1, seconds.shape[1])), np.cumsum(seconds, axis=0)])
    turning = np.stack([half_circle / around, np.zeros_like(around), half_circle / around, np.zeros_like(around)])
    braking = _parasites(schedule, starts, start=start, parasite=parasite)
    lost, times = [], []
    for leg in range(len(LEGS)):
        moments = (np.arange(STEPS) + 0.5) / STEPS
        at = starts[leg][:, None] + moments[None, :] * seconds[leg][:, None]
        banked = moments[None, :] < turning[leg][:, None]
        speed = (flown.final_speed if LEGS[leg] == "final" else flown.speed)[:, None]
        rate = _rate(braking(at), flown, sink=sink, speed=speed, banked=banked)
        step = seconds[leg][:, None] / STEPS
        lost.append(rate * step)
        times.append(at + step / 2)
    drop, time = np.concatenate(lost, axis=1), np.concatenate(times, axis=1)
    given_back = height_of_speed_change(true, final_true) / SLOWING  # over the first part of final
    drop[:, 3 * STEPS : 3 * STEPS + SLOWING] -= given_back[:, None]
    landing = _rate(braking(time[:, -1:]), flown, sink=sink, speed=flown.final_speed[:, None], banked=np.zeros((1, 1)))
    flare = flare_height(final_true, landing[:, 0] / final_true, load_factor=FLARE_LOAD_FACTOR)
    above = np.concatenate([np.cumsum(drop[:, ::-1], axis=1)[:, ::-1], np.zeros((len(drop), 1))], axis=1)
    before = _rate(braking(starts[0][:, None]), flown, sink=sink, speed=flown.speed[:, None], banked=np.ones((1, 1)))
    circle = before[:, 0] * 2 * half_circle
    return Profile(
        np.concatenate([np.zeros((len(time), 1)), time], axis=1), above + flare[:, None], STEPS, circle, final, flare
    )


def _rate(
    parasite: Floats, flown: Flown, *, sink: tuple[GlideModel, Floats, Floats], speed: Floats, banked: Floats
) -> Floats:
    """Sink of height [m/s] at a held equivalent airspeed, (n, moments)."""
    model, draws, air = sink
    true = speed * flown.root_density[:, None]
    altitude = altitude_of_density(SEA_LEVEL_DENSITY / flown.root_density[:, None] ** 2)
    bank = np.where(banked > 0, flown.bank[:, None], 0.0)
    load = (1 / np.cos(bank), (flown.mass / model.standard_mass)[:, None], flown.relative[:, None])
    steepness = slope_of(model, parasite, draws, speed=speed, load=load)
    return np.asarray(steepness * true * (1 + air[:, None]) / energy_over_height(true, altitude), dtype=np.float64)


def _parasites(
    schedule: tuple[Step, ...], starts: Floats, *, start: Key, parasite: Mapping[Key, Floats]
) -> Callable[[Floats], Floats]:
    """Times (n, moments) -> b there: the classes weighted by what is out, straight while it travels."""
    begins = {"before": np.full(starts.shape[1], -1e6), "high key": starts[0], "low key": starts[1],
              "base": starts[2], "final": starts[3]}  # fmt: skip

    def at(times: Floats) -> Floats:
        shares = {"gear": {start[0]: np.ones_like(times)}, "flap": {start[1]: np.ones_like(times)}}
        free: dict[str, Floats] = {}  # when the device's last movement ends
        for step in schedule:
            begin = np.maximum(begins[step.position], free.get(step.device, np.full(len(times), -np.inf)))
            free[step.device] = begin + step.seconds
            gone = np.clip((times - begin[:, None]) / np.maximum(step.seconds, 1e-3)[:, None], 0.0, 1.0)
            own = {word: share * (1 - gone) for word, share in shares[step.device].items()}
            own[step.word] = own.get(step.word, np.zeros_like(times)) + gone
            shares[step.device] = own
        total = np.zeros_like(times)
        for gear, a in shares["gear"].items():
            for flap, b in shares["flap"].items():
                if np.any(a * b > 0):
                    total = total + a * b * parasite[(gear, flap)][:, None]
        return total

    return at


def classes_flown(schedule: tuple[Step, ...], start: Key) -> tuple[Key, ...]:
    """Every gear and flap combination the schedule may pass through."""
    gears = [start[0], *(s.word for s in schedule if s.device == "gear")]
    flaps = [start[1], *(s.word for s in schedule if s.device == "flap")]
    order = {word: index for index, word in enumerate(POSITIONS)}
    gear_from = {start[0]: 0, **{s.word: order[s.position] for s in schedule if s.device == "gear"}}
    flap_from = {start[1]: 0, **{s.word: order[s.position] for s in schedule if s.device == "flap"}}
    gear_to = dict(zip(gears, [gear_from[g] for g in gears[1:]] + [len(POSITIONS)], strict=True))
    flap_to = dict(zip(flaps, [flap_from[f] for f in flaps[1:]] + [len(POSITIONS)], strict=True))
    # both may be travelling through the leg in which the other is begun
    return tuple(
        (g, f) for g in gears for f in flaps if gear_from[g] <= flap_to[f] and flap_from[f] <= gear_to[g]
    )  # fmt: skip
