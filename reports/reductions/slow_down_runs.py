"""Slow-downs with the engine idling as recorded: drag less thrust over weight, block by block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.energy import energy_height
from .approach_sink import NO_POWER, gear_words
from .evidence import Evidence
from .propeller import is_fine
from .sheet import LeftOut, Reference

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Key = tuple[str, str, str]  # gear, flap, propeller
KINDS = ("level_deceleration", "descending_deceleration")
BLOCK_S = 2.0
LEAST_BLOCKS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One slow-down flown: blocks of some seconds, arrays (n,). steepness: (D - T)/W; ends: equivalent airspeeds [m/s]."""

    key: Key
    reference: Reference
    kind: str
    speed: Floats
    steepness: Floats
    mass_ratio: Floats
    ends: tuple[float, float]
    seconds: float
    sink: float  # mean, tapeline
    root_density: float  # true over equivalent airspeed
    altitude: float = float("nan")  # mean pressure altitude


def find_runs(evidence: Evidence, wanted: str = "idle") -> tuple[tuple[Run, ...], tuple[LeftOut, ...]]:
    """Slow-downs without power in the propulsion state wanted, and those that are none of it, with the reason."""
    found = evidence.programme.manoeuvres()
    found = found[found["sortie"].isin(evidence.sorties) & found["kind"].isin(KINDS)]
    runs: list[Run] = []
    left = []
    points = evidence.points
    ratios = (
        points["engine_speed"] / points["true_airspeed"] if {"engine_speed", "true_airspeed"} <= set(points) else None
    )
    idle = None if ratios is None else ratios[points["power"].isin(NO_POWER)].to_numpy(dtype=np.float64)
    words = gear_words(found["facts"].map(lambda f: f.get("gear", "unknown")), evidence) if len(found) else []
    for row, gear in zip(found.to_dict("records"), words, strict=True):
        where = Reference(str(row["sortie"]), None, float(row["start_s"]), float(row["stop_s"]))
        state = row["facts"].get("propulsion")
        one = _run(row, str(gear), where, evidence=evidence, ratios=idle)
        if not isinstance(one, str) and state != wanted:
            one = f"the propulsion state was {state}, not {wanted}"
        if isinstance(one, str):
            left.append(LeftOut(f"slow-down at {where.start_s:.0f} s of {where.sortie}", one, where))
        else:
            runs.append(one)
    return tuple(runs), tuple(left)


def _run(
    row: Mapping[str, Any], gear: str, where: Reference, *, evidence: Evidence, ratios: Floats | None
) -> Run | str:
    facts = row["facts"]
    if facts.get("power") not in NO_POWER:
        return f"power was {facts.get('power', 'unknown')}: its setting is one of its own"
    if gear == "unknown" or facts.get("flap") in (None, "unknown", "transit"):
        return f"gear {gear}, flap {facts.get('flap')}"
    samples = evidence.programme.samples(where.sortie, start=where.start_s, stop=where.stop_s)
    for name in ("equivalent_airspeed", "true_airspeed", "pressure_altitude"):
        if name not in samples or samples[name].isna().any():
            return f"no whole {name.replace('_', ' ')} through it"
    if len(samples) < LEAST_BLOCKS or float(samples["t"].diff().max()) > BLOCK_S:
        return "too short, or nothing is recorded for some seconds of it"
    blocks = _blocks(samples)
    if len(blocks["speed"]) < LEAST_BLOCKS:
        return "too short"
    mass = blocks["mass"] / evidence.standard_mass
    propeller = _propeller(samples, ratios, governed=evidence.settings.aircraft.governed_propeller)
    return Run(
        (gear, str(facts["flap"]), propeller), where, str(row["kind"]), blocks["speed"], blocks["steepness"],
        np.where(np.isfinite(mass), mass, 1.0), (float(blocks["ends"][0]), float(blocks["ends"][1])),
        float(blocks["ends"][2]), float(blocks["ends"][3]), float(blocks["ends"][4]), float(samples["pressure_altitude"].mean()),
    )  # fmt: skip


def _propeller(samples: pd.DataFrame, ratios: Floats | None, *, governed: bool | None) -> str:
    """'fine' where the propeller turned as fast as it ever does at idle for the speed, by the run's second half; else 'governed'."""
    if ratios is None or "engine_speed" not in samples or governed is False:
        return "fine"
    half = samples.iloc[len(samples) // 2 :]
    own = float((half["engine_speed"] / half["true_airspeed"]).median())
    return "fine" if bool(is_fine(np.append(ratios, own))[-1]) else "governed"


def _blocks(samples: pd.DataFrame) -> dict[str, Floats]:
    """Blocks of BLOCK_S seconds: equivalent airspeed, (D - T)/W, mass; 'ends': speeds first and last, time, mean sink, V/Ve."""
    time = samples["t"].to_numpy(dtype=np.float64)
    speed, true = (samples[c].to_numpy(dtype=np.float64) for c in ("equivalent_airspeed", "true_airspeed"))
    height = tapeline_heights(samples)
    count = max(int((time[-1] - time[0]) / BLOCK_S), 1)
    edges = np.linspace(time[0], time[-1], count + 1)
    at = {name: levels_at(time, values, edges) for name, values in (("v", true), ("e", speed), ("h", height))}
    energy = energy_height(at["h"], at["v"])
    way = np.diff(edges) * (at["v"][1:] + at["v"][:-1]) / 2
    mass = samples["mass"].to_numpy(dtype=np.float64) if "mass" in samples else np.full(len(time), np.nan)
    ends = np.array([at["e"][0], at["e"][-1], edges[-1] - edges[0], -(at["h"][-1] - at["h"][0]) / (edges[-1] - edges[0]),
                     float(np.mean(true / speed))])  # fmt: skip
    middle = (edges[1:] + edges[:-1]) / 2
    return {"speed": (at["e"][1:] + at["e"][:-1]) / 2, "steepness": -np.diff(energy) / way,
            "mass": np.interp(middle, time, mass), "ends": ends}  # fmt: skip


def tapeline_heights(samples: pd.DataFrame) -> Floats:
    """Heights [m] above the first sample's pressure altitude in true metres, shape (n,); as indicated where no temperature tells."""
    altitude = samples["pressure_altitude"].to_numpy(dtype=np.float64)
    if "geometric_climb_rate" not in samples or "pressure_altitude_rate" not in samples:
        return np.asarray(altitude, dtype=np.float64)
    ratio = (samples["geometric_climb_rate"] / samples["pressure_altitude_rate"]).median()
    stretch = float(ratio) if 0.8 < ratio < 1.25 else 1.0
    return np.asarray(altitude[0] + (altitude - altitude[0]) * stretch, dtype=np.float64)


def levels_at(time: Floats, values: Floats, edges: Floats) -> Floats:
    """Values at the edges of blocks, shape (edges,): straight lines over a second on each side take out a display's steps."""
    out = np.empty(len(edges))
    for index, edge in enumerate(edges):
        near = np.abs(time - edge) <= max(1.0, 1.5 * float(np.median(np.diff(time))))
        out[index] = np.polyfit(time[near] - edge, values[near], 1)[1]
    return out
