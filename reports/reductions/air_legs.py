"""Stretches that tell true airspeed and wind from velocity over the ground: full turns, and legs of steady points.

Each gives one estimate of the scale k in |Vg - W| = k V, V the horizontal part of true airspeed of the airspeed system as it
is calibrated now. Source of the method: D. Gray, Using GPS to accurately establish true airspeed, 1998,
extended to n legs with a scale (shared.physics.wind.fit_scale_and_wind).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from math import pi, radians
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.physics.wind import fit_scale_and_wind, velocity_components, wind_from
from ...shared.units import to_si
from .evidence import Evidence, reference_of
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

FULL_TURN = radians(330.0)  # heading change that tells wind from scale in one turn (tried on a public flight)
BLOCK_S = 8.0  # one independent look: air motion and the receiver's lag are correlated over a few seconds
LARGEST_MISFIT = to_si(
    1.5, "kt"
)  # residual of single samples, gusts and the receiver's lag in it; common practice, no source
LEG_SPEED = to_si(4.0, "kt")  # legs of one set fly one speed
LEG_HEIGHT = to_si(500.0, "ft")  # and one height: the wind changes with height
LEG_PAUSE_S = 600.0
CHANNELS = ("true_airspeed", "ground_speed", "track_true", "calibrated_airspeed", "indicated_airspeed", "pressure_altitude",
            "static_air_temperature", "geometric_climb_rate")  # fmt: skip


@dataclass(frozen=True, slots=True)
class AirEstimate:
    """One turn's or one set of legs' answer, SI. scale_error: standard error of type A of the scale."""

    kind: str  # turn or legs
    origin: tuple[Reference, ...]
    day: str
    gear: str
    flap: str
    calibrated_airspeed: float
    indicated_airspeed: float
    temperature: float
    pressure_altitude: float
    scale: float
    scale_error: float
    wind_speed: float
    wind_direction: float
    wind_error: float
    misfit: float
    looks: int

    @property
    def sortie(self) -> str:
        """The flight it comes from."""
        return self.origin[0].sortie


def find_air_estimates(evidence: Evidence) -> tuple[tuple[AirEstimate, ...], tuple[LeftOut, ...]]:
    """All estimates of the flights in time order, and the turns and sets of legs that gave none, with reasons."""
    found: list[AirEstimate] = []
    left_out: list[LeftOut] = []
    for one in (*_turns(evidence), *_leg_sets(evidence)):
        if isinstance(one, AirEstimate):
            found.append(one)
        else:
            left_out.append(one)
    found.sort(key=lambda e: (e.day, e.sortie, e.origin[0].start_s or 0.0))
    return tuple(found), tuple(left_out)


def _turns(evidence: Evidence) -> Iterator[AirEstimate | LeftOut]:
    turns = evidence.programme.manoeuvres(kind="turn")
    for turn in turns[turns["sortie"].isin(evidence.sorties)].to_dict("records"):
        change = abs(float(turn["facts"].get("heading_change") or 0.0))
        if change < FULL_TURN:
            continue
        where = Reference(turn["sortie"], None, float(turn["start_s"]), float(turn["stop_s"]))
        yield _estimate_turn(evidence, turn, where)


def _estimate_turn(evidence: Evidence, turn: dict[Hashable, Any], where: Reference) -> AirEstimate | LeftOut:
    name = f"turn of {where.sortie} at {where.start_s:.0f} s"
    samples = _samples(evidence, where)
    if samples is None:
        return LeftOut(name, "no velocity over the ground or no airspeed is recorded", where)
    # whole samples, not block means: the mean of a turning vector over some seconds is too short
    north, east = velocity_components(samples["ground_speed"], samples["track_true"])
    moves = pd.DataFrame({"n": north, "e": east, "v": _along_the_ground(samples)})
    looks = max(int((where.stop_s - where.start_s) / BLOCK_S), 4)  # type: ignore[operator]
    day = str(pd.Timestamp(turn["start_utc"]).date())
    facts = turn["facts"]
    state = (str(facts.get("gear") or "unknown"), str(facts.get("flap") or "unknown"))
    if "gear" not in facts:
        state = _state_during(evidence, where)
    if "several" in state:
        return LeftOut(name, "gear or flap moved during it", where)
    return _fit("turn", moves, samples, (where,), (name, day, *state), looks=looks)


def _state_during(evidence: Evidence, where: Reference) -> tuple[str, str]:
    """The one gear and the one flap state of a stretch; 'several' where it changed."""
    states = evidence.programme.states(where.sortie)
    inside = states[(states["start_s"] < where.stop_s) & (states["stop_s"] > where.start_s)]
    words = [sorted(set(inside[inside["channel"] == name]["value"])) for name in ("gear", "flap")]
    gear, flap = (one[0] if len(one) == 1 else "several" if one else "unknown" for one in words)
    return gear, flap


def _leg_sets(evidence: Evidence) -> Iterator[AirEstimate | LeftOut]:
    needed = ["true_airspeed", "ground_speed", "track_true", "calibrated_airspeed", "pressure_altitude"]
    points = evidence.points
    if any(name not in points for name in needed):
        return
    legs = points[(points["kind"] != "turn") & points[needed].notna().all(axis=1)]
    for _, flight in legs.sort_values("start_s").groupby("sortie", sort=True):
        for group in _groups(flight):
            yield from _estimate_legs(group)


def _groups(flight: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Runs of legs in one configuration, at one speed and one height, without a long pause."""
    start = 0
    for end in range(1, len(flight) + 1):
        if end == len(flight) or not _belongs(flight.iloc[start:end], flight.iloc[end]):
            if end - start >= 3:
                yield flight.iloc[start:end]
            start = end


def _belongs(group: pd.DataFrame, row: pd.Series) -> bool:
    last = group.iloc[-1]
    return bool(
        (row["gear"], row["flap"]) == (last["gear"], last["flap"])
        and abs(row["calibrated_airspeed"] - group["calibrated_airspeed"].mean()) <= LEG_SPEED
        and abs(row["pressure_altitude"] - group["pressure_altitude"].mean()) <= LEG_HEIGHT
        and row["start_s"] - last["stop_s"] <= LEG_PAUSE_S
    )


def _estimate_legs(group: pd.DataFrame) -> Iterator[AirEstimate | LeftOut]:
    first = group.iloc[0]
    name = f"{len(group)} legs of {first['sortie']} from {first['start_s']:.0f} s"
    north, east = velocity_components(group["ground_speed"], group["track_true"])
    if not _spread_round(np.asarray(group["track_true"], dtype=np.float64)):
        return  # legs on one line: nobody would expect wind from them
    means = pd.DataFrame({"n": north, "e": east, "v": _along_the_ground(group)})
    origin = tuple(reference_of({str(k): v for k, v in row.items()}) for row in group.to_dict("records"))
    names = (name, str(first["day"]), str(first["gear"]), str(first["flap"]))
    yield _fit("legs", means, group, origin, names, looks=len(means))


def _along_the_ground(moves: pd.DataFrame) -> Floats:
    """The horizontal part of true airspeed [m/s], (n,): descending at 1,600 ft/min and 95 kt it is 1.4 % less."""
    true = np.asarray(moves["true_airspeed"], dtype=np.float64)
    if "geometric_climb_rate" not in moves:
        return true
    climb = np.nan_to_num(np.asarray(moves["geometric_climb_rate"], dtype=np.float64))
    return np.asarray(np.sqrt(np.maximum(true**2 - climb**2, 0.0)))


def _spread_round(tracks: Floats) -> bool:
    """Whether no gap between neighbouring tracks is half a circle or more: the tips of the vectors stand around the wind."""
    ordered = np.sort(tracks % (2 * pi))
    gaps = np.diff(np.concatenate([ordered, [ordered[0] + 2 * pi]]))
    return bool(gaps.max() < pi * 0.97)


def _fit(
    kind: str,
    means: pd.DataFrame,
    samples: pd.DataFrame,
    origin: tuple[Reference, ...],
    names: tuple[str, str, str, str],
    *,
    looks: int,
) -> AirEstimate | LeftOut:
    name, day, gear, flap = names
    answer, covariance, misfit = fit_scale_and_wind(means["n"], means["e"], airspeed=means["v"])
    where = origin[0]
    if not np.isfinite(answer).all():
        return LeftOut(name, "the headings do not tell scale from wind", where)
    if misfit > LARGEST_MISFIT:
        return LeftOut(
            name, f"the wind was not one wind: residuals {misfit / to_si(1, 'kt'):.1f} kt, at most 1 kt", where
        )
    errors = np.sqrt(np.diag(covariance))
    if not np.isfinite(errors).all():  # three legs: nothing left over to judge by
        errors = _errors_of_three(means, samples)
    speed, direction = wind_from(answer[1], answer[2])
    mean = {c: float(samples[c].mean()) if c in samples else float("nan") for c in CHANNELS}
    return AirEstimate(
        kind, origin, day, gear, flap,
        mean["calibrated_airspeed"], mean["indicated_airspeed"], mean["static_air_temperature"], mean["pressure_altitude"],
        float(answer[0]), float(errors[0]), float(speed), float(direction), float(np.hypot(*errors[1:]) / np.sqrt(2)),
        float(misfit), looks,
    )  # fmt: skip


def _errors_of_three(means: pd.DataFrame, samples: pd.DataFrame) -> Floats:
    """Standard errors of three legs' solution from the legs' own: each leg moved by its error, in turn."""
    base = fit_scale_and_wind(means["n"], means["e"], airspeed=means["v"])[0]
    own = samples.get("ground_speed_error", pd.Series(0.0, index=samples.index))
    air = samples.get("true_airspeed_error", pd.Series(0.0, index=samples.index))
    total = np.zeros(3)
    for position, step in enumerate(np.hypot(np.asarray(own, dtype=np.float64), np.asarray(air, dtype=np.float64))):
        moved = means.copy()
        moved.iloc[position, 2] += max(float(step), 1e-3)
        total += (fit_scale_and_wind(moved["n"], moved["e"], airspeed=moved["v"])[0] - base) ** 2
    return np.asarray(np.sqrt(total), dtype=np.float64)


def _samples(evidence: Evidence, where: Reference) -> pd.DataFrame | None:
    held = set(evidence.programme.channels(where.sortie).query("track == 'frame'")["channel"])
    if not {"true_airspeed", "ground_speed", "track_true", "calibrated_airspeed"} <= held:
        return None
    wanted = [name for name in CHANNELS if name in held]
    samples = evidence.programme.samples(where.sortie, wanted, start=where.start_s, stop=where.stop_s)
    samples = samples.dropna(subset=["true_airspeed", "ground_speed", "track_true"])
    return samples if len(samples) >= 10 else None
