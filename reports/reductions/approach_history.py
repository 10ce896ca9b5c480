"""Approaches flown without power, as recorded: what was flown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.energy import geometric_climb_rate
from .approach_sink import NO_POWER, Floats, commonest, gear_words
from .evidence import Evidence
from .sheet import LeftOut, Reference
from .transients import Move, moves_of, own_events, shares_of

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
    altitude: float  # mean pressure altitude

    @property
    def fine(self) -> float:
        """Median engine revolutions per metre [1/m], NaN where not recorded."""
        known = self.ratio[np.isfinite(self.ratio)]
        return float(np.median(known)) if len(known) else float("nan")


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
        float(part["pressure_altitude"].mean()),
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
