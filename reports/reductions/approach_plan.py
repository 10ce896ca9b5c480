"""What the next approach is to be flown like: from the options given, else as the past ones were flown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from ...shared.errors import SettingsError
from ...shared.physics.atmosphere import standard_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY
from .approach_history import PastApproach, leg_starts, mean_bank
from .approach_pattern import POSITIONS
from .evidence import Evidence
from .sheet import LeftOut
from .transients import Move, Travel, flap_levels, own_events

BEFORE_S = 4.0  # a movement this little before a leg belongs to it; common practice, no source
# where nothing was given and nothing flown; common practice, no source
USUAL_BANK_RAD = np.radians(30.0)
# one standard deviation of what a pilot flies, until own approaches tell; common practice, no source
# how far the legs lie off those planned: own past ones do not tell it, they were chosen to use up the height there was
LEG_SPREAD = {"abeam": 90.0, "downwind": 90.0}
USUAL_SPREAD = {"speed": 1.5, "final_speed": 1.5, "bank": np.radians(4.0), "relative": 0.01}
WIND_SPREAD_M_S = 1.0
LEAST_APPROACHES = 3


@dataclass(frozen=True, slots=True)
class Planned:
    """One movement: device, state it leads to, where it is begun."""

    device: str
    word: str
    position: str


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The approach to be flown, SI. origin: value -> 'given', 'own median of n', or what was taken and why.

    start: gear and flap before the first key; spread: one standard deviation of each value as flown.
    """

    speed: float
    final_speed: float
    bank: float
    headwind: float
    abeam: float
    downwind: float
    mass: float
    density_ratio: float
    ratio: float  # engine revolutions per metre expected, NaN unknown
    start: tuple[str, str]
    schedule: tuple[Planned, ...]
    spread: Mapping[str, float]
    origin: Mapping[str, str] = field(default_factory=dict)


def plan_approach(
    evidence: Evidence, past: tuple[PastApproach, ...], travels: Iterable[Travel]
) -> tuple[Plan | None, tuple[str, ...]]:
    """The plan, or None with what must be given. Raises SettingsError for a schedule that cannot be read."""
    options, origin = evidence.options, {}
    medians, spread = _own_values(past)
    values: dict[str, float] = {}
    for name in ("speed", "final_speed", "bank", "abeam", "downwind"):
        if name in options:
            values[name], origin[name] = float(options[name]), "given"
        elif np.isfinite(medians.get(name, np.nan)):
            values[name], origin[name] = medians[name], f"own median of {len(past)} approaches"
    missing = [
        f"{name.replace('_', ' ')}: no approach without power was flown that tells it; give {name}="
        for name in ("speed", "final_speed")
        if name not in values
    ]
    if missing:
        return None, tuple(missing)
    for name, usual, told in (("bank", USUAL_BANK_RAD, "30 degrees taken: common practice"),
                              ("abeam", 0.0, "the turn's own width"), ("downwind", 0.0, "base begun abeam")):  # fmt: skip
        if name not in values:
            values[name], origin[name] = usual, told
    values["headwind"] = float(options.get("headwind", 0.0))
    origin["headwind"] = "given" if "headwind" in options else "no wind taken"
    values["mass"] = float(options.get("mass", evidence.standard_mass))
    origin["mass"] = "given" if "mass" in options else "standard mass"
    density, origin["density"] = _density(evidence, past)
    ratios = [one.fine for one in past if np.isfinite(one.fine)]
    ratio = float(np.median(ratios)) if ratios else float("nan")
    start, schedule, origin["schedule"] = _schedule(evidence, past, tuple(travels))
    return Plan(
        **values, density_ratio=density, ratio=ratio, start=start, schedule=schedule,
        spread={**spread, "headwind": WIND_SPREAD_M_S}, origin=origin,
    ), ()  # fmt: skip


def _own_values(past: tuple[PastApproach, ...]) -> tuple[dict[str, float], dict[str, float]]:
    """(medians, spreads) of what past approaches were flown like; a usual spread where fewer than three tell one."""
    told: dict[str, list[float]] = {name: [] for name in _MEASURES}
    for one in past:
        for name, measure in _MEASURES.items():
            value = measure(one)
            if np.isfinite(value):
                told[name].append(value)
    medians = {name: float(np.median(v)) for name, v in told.items() if v}
    spread = {}
    for name, usual in USUAL_SPREAD.items():
        values = np.array(told[name])
        if name == "relative" and len(values):
            values = values / np.median(values)
        spread[name] = float(np.std(values, ddof=1)) if len(values) >= LEAST_APPROACHES else float(usual)
    return medians, {**spread, **LEG_SPREAD}


def _speed(one: PastApproach) -> float:
    until = leg_starts(one).get("base", np.inf)
    chosen = one.equivalent_airspeed[one.time_s < until]
    return float(np.median(chosen)) if len(chosen) else float("nan")


def _final_speed(one: PastApproach) -> float:
    from_s = max(leg_starts(one).get("final", -np.inf), one.time_s[-1] - 15.0)
    chosen = one.equivalent_airspeed[one.time_s >= min(from_s, one.time_s[-1] - 5.0)]
    return float(np.median(chosen)) if len(chosen) else float("nan")


def _abeam(one: PastApproach) -> float:
    return float(one.facts.get("abeam_distance_m") or np.nan)


def _downwind(one: PastApproach) -> float:
    """Way over the ground from abeam to where base is begun [m]."""
    starts = leg_starts(one)
    if "abeam" not in starts or "base" not in starts:
        return float("nan")
    leg = (one.time_s >= starts["abeam"]) & (one.time_s < starts["base"])
    if not leg.any():
        return float("nan")
    return float(np.mean(one.ground_speed[leg]) * (starts["base"] - starts["abeam"]))


_MEASURES: dict[str, Callable[[PastApproach], float]] = {
    "speed": _speed,
    "final_speed": _final_speed,
    "bank": mean_bank,
    "abeam": _abeam,
    "downwind": _downwind,
    "relative": lambda one: one.fine,
}


def _density(evidence: Evidence, past: tuple[PastApproach, ...]) -> tuple[float, str]:
    if "density_altitude" in evidence.options:
        return float(standard_density(float(evidence.options["density_altitude"]))) / SEA_LEVEL_DENSITY, "given"
    known = [float(np.mean(one.density_ratio)) for one in past if np.isfinite(one.density_ratio).all()]
    if known:
        return float(np.median(known)), f"as on {len(known)} own approaches"
    return 1.0, "sea level, standard: nothing measured, nothing given"


def _schedule(
    evidence: Evidence, past: tuple[PastApproach, ...], travels: tuple[Travel, ...]
) -> tuple[tuple[str, str], tuple[Planned, ...], str]:
    """(gear and flap at first, movements, where it is from). Options: gear_at=POSITION, flaps_at=WORD:POSITION,..."""
    levels = flap_levels(own_events(evidence))
    flown = [_moves_flown(one, levels) for one in past]
    gear_words = {g for one in past for g, _ in one.shares} or set(evidence.points["gear"].unique())
    fixed = (
        "fixed" in gear_words or evidence.settings.aircraft.retractable_gear is False or not gear_words & {"up", "down"}
    )
    usual = _usual(flown)
    origin = f"as flown on most of {len(past)} own approaches" if past else "none known"
    if "gear_at" in evidence.options and not fixed:
        usual = [m for m in usual if m.device != "gear"]
        usual.append(Planned("gear", "down", _position(str(evidence.options["gear_at"]), "gear_at")))
        origin = "given"
    if "flaps_at" in evidence.options:
        usual = [m for m in usual if m.device != "flap"] + _flaps_given(str(evidence.options["flaps_at"]), travels)
        origin = "given"
    order = {name: index for index, name in enumerate(POSITIONS)}
    schedule = tuple(sorted(usual, key=lambda m: (order[m.position], m.device, levels.get(m.word, 1.0))))
    first = "fixed" if fixed else "up" if any(m.device == "gear" for m in schedule) else "down"
    return (first, "up"), schedule, origin


def _flaps_given(text: str, travels: tuple[Travel, ...]) -> list[Planned]:
    known = {t.movement.split(" to ")[-1] for t in travels if t.movement.startswith("flap")}
    out = []
    for part in text.split(","):
        word, sign, position = part.partition(":")
        if not sign or (known and word.strip() not in known):
            raise SettingsError("flaps_at names each flap state and where it is begun", found=repr(part.strip()),
                                allowed=", ".join(f"{w}:base" for w in sorted(known)) or "full:base")  # fmt: skip
        out.append(Planned("flap", word.strip(), _position(position, "flaps_at")))
    return out


def _position(text: str, option: str) -> str:
    word = " ".join(text.split()).lower()
    if word not in POSITIONS:
        raise SettingsError(f"{option} needs a place in the pattern", found=repr(text), allowed=", ".join(POSITIONS))
    return word


def _moves_flown(one: PastApproach, levels: Mapping[str, float]) -> list[Planned]:
    """What was let down on an approach, by the leg it was begun in; what was down from the beginning as 'before'."""
    down = [m for m in one.moves if _lets_down(m, levels)]
    out = [Planned(m.device, m.after, _leg_of(m.start_s + BEFORE_S, one)) for m in down]
    for device, index in (("gear", 0), ("flap", 1)):
        first = {key[index] for key, share in one.shares.items() if share[0] > 0.5}
        moved = {m.after for m in down if m.device == device}
        out += [Planned(device, word, "before") for word in first - moved if word not in ("up", "fixed", "unknown")]
    return out


def _lets_down(move: Move, levels: Mapping[str, float]) -> bool:
    if move.device == "gear":
        return move.after == "down"
    return levels.get(move.after, 1.0) > levels.get(move.before, 0.0)


def _leg_of(at: float, one: PastApproach) -> str:
    starts = leg_starts(one)
    if "final" in starts and at >= starts["final"]:
        return "final"
    if "base" in starts and at >= starts["base"]:
        return "base"
    return "low key" if "abeam" in starts and at >= starts["abeam"] else "high key"


def _usual(flown: list[list[Planned]]) -> list[Planned]:
    """Movements made on at least half of the approaches, each where it was most often begun."""
    places: dict[tuple[str, str], Counter[str]] = {}
    for moves in flown:
        for move in moves:
            places.setdefault((move.device, move.word), Counter())[move.position] += 1
    return [
        Planned(device, word, counted.most_common(1)[0][0])
        for (device, word), counted in sorted(places.items())
        if sum(counted.values()) * 2 >= len(flown)
    ]


def past_left_out(past: tuple[PastApproach, ...]) -> tuple[LeftOut, ...]:
    """Approaches whose gear or flap states were inferred: they count less, and why."""
    return tuple(
        LeftOut(
            f"approach at {one.time_s[0]:.0f} s of {one.sortie}, of the figure for how well predictions hold",
            "gear or flap was told from the response, not recorded",
            one.reference,
        )
        for one in past
        if one.inferred
    )
