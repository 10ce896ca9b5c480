"""Level accelerations at full power, block by block: the rate of climb each moment's excess power amounts to.

Energy height rises at dh/dt + (V/g) dV/dt whether the engine lifts the aircraft or speeds it up. The rate of V is taken
from airspeed, or from ground speed along the heading where that is recorded and scatters less: in one direction and
steady wind both rise alike, and the gusts are in the airspeed alone.
Source: SFTE Reference Handbook, 3rd ed. 2013, section 12 (total energy, acceleration term, inertia factor).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.physics.constants import STANDARD_GRAVITY
from ...shared.units import to_si
from .approach_sink import gear_words
from .evidence import Evidence
from .present import counted, say
from .sheet import LeftOut, Reference
from .slow_down_runs import levels_at, tapeline_heights

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

BLOCK_S = 2.0
FEWEST_BLOCKS = 6
LEAST_SPAN = to_si(20.0, "kt")
MOST_TURN = to_si(10.0, "deg")  # of heading or track, for ground speed to stand for airspeed
MOST_DRIFT = to_si(30.0, "deg")
REFERENCE_M_S = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Acceleration:
    """One level acceleration at full power; arrays (blocks,).

    speed: calibrated [m/s]; rate: rate of climb it amounts to at the standard mass [m/s]; engine_speed: lowest and
    highest [1/s], NaN where not recorded; density_altitude: mean [m]; true_ratio: true over calibrated airspeed;
    basis: 'ground speed' or 'airspeed', what the rate of speed was taken from.
    """

    gear: str
    flap: str
    reference: Reference
    basis: str
    engine_speed: tuple[float, float]
    density_altitude: float
    true_ratio: float
    speed: Floats
    rate: Floats


def find_accelerations(evidence: Evidence) -> tuple[tuple[Acceleration, ...], tuple[LeftOut, ...]]:
    """Level accelerations at full power that can tell a curve, and the others with the reason."""
    found = evidence.programme.manoeuvres()
    found = found[found["sortie"].isin(evidence.sorties) & (found["kind"] == "level_acceleration")]
    words = gear_words(found["facts"].map(lambda f: f.get("gear", "unknown")), evidence) if len(found) else []
    runs: list[Acceleration] = []
    left: list[LeftOut] = []
    for row, gear in zip(found.to_dict("records"), words, strict=True):
        where = Reference(str(row["sortie"]), None, float(row["start_s"]), float(row["stop_s"]))
        one = _acceleration(row["facts"], str(gear), where, evidence)
        if isinstance(one, str):
            left.append(LeftOut(f"acceleration at {where.start_s:.0f} s of {where.sortie}", one, where))
        else:
            runs.append(one)
    return tuple(runs), tuple(left)


def design_of(speed: Floats) -> Floats:
    """Columns of rate = p - a u^3 - b / u, u = V / REFERENCE_M_S: constant thrust power less that of a parabolic polar; shape (n, 3)."""
    u = speed / REFERENCE_M_S
    return np.stack([np.ones_like(u), -(u**3), -1 / u], axis=1)


def _acceleration(facts: Mapping[str, Any], gear: str, where: Reference, evidence: Evidence) -> Acceleration | str:
    if facts.get("power") != "full":
        return f"power was {facts.get('power', 'unknown')}, not full"
    if facts.get("flap") in (None, "unknown", "transit"):
        return f"flap {facts.get('flap')}"
    change = float(facts["end_airspeed"]) - float(facts["start_airspeed"])
    if change < LEAST_SPAN:
        return f"{say(change, 'speed', evidence.settings)} faster: at least {say(LEAST_SPAN, 'speed', evidence.settings)} make a curve"
    samples = evidence.programme.samples(where.sortie, start=where.start_s, stop=where.stop_s)
    samples = samples[samples["power"] == "full"] if "power" in samples else samples
    for name in ("calibrated_airspeed", "true_airspeed", "pressure_altitude", "density_altitude"):
        if name not in samples or not len(samples) or samples[name].isna().any():
            return f"no whole {name.replace('_', ' ')} through it"
    if float(samples["t"].diff().max()) > BLOCK_S:
        return "nothing is recorded for some seconds of it"
    mass_ratio = _mass(samples, evidence) / evidence.standard_mass
    if not np.isfinite(mass_ratio):
        return "mass is missing"
    return _measured(samples, gear, where, flap=str(facts["flap"]), mass_ratio=mass_ratio)


def _measured(
    samples: pd.DataFrame, gear: str, where: Reference, *, flap: str, mass_ratio: float
) -> Acceleration | str:
    time = samples["t"].to_numpy(dtype=np.float64)
    edges = np.linspace(time[0], time[-1], max(int((time[-1] - time[0]) / BLOCK_S), 1) + 1)
    if len(edges) <= FEWEST_BLOCKS + 1:
        return f"{counted(len(edges) - 1, 'block')} of {BLOCK_S:.0f} s are too few"
    speed, true = (samples[name].to_numpy(dtype=np.float64) for name in ("calibrated_airspeed", "true_airspeed"))
    at_edges = levels_at(time, speed, edges)
    middle = (at_edges[1:] + at_edges[:-1]) / 2
    basis, rate = _rate(samples, time, edges, middle)
    # the first block is left out: the engine is still answering
    return Acceleration(
        gear, flap, where, basis, _engine_speed(samples), float(samples["density_altitude"].mean()),
        float(np.mean(true / speed)), middle[1:], rate[1:] * mass_ratio,
    )  # fmt: skip


def _engine_speed(samples: pd.DataFrame) -> tuple[float, float]:
    """Lowest and highest [1/s] but for odd samples; NaN where not recorded."""
    if "engine_speed" not in samples:
        return float("nan"), float("nan")
    low, high = samples["engine_speed"].quantile([0.05, 0.95])
    return float(low), float(high)


def _rate(samples: pd.DataFrame, time: Floats, edges: Floats, middle: Floats) -> tuple[str, Floats]:
    """What the rate of speed was taken from, and the rate of energy height [m/s] of each block, at the mass flown."""
    height = levels_at(time, tapeline_heights(samples), edges)
    true = levels_at(time, samples["true_airspeed"].to_numpy(dtype=np.float64), edges)
    step, mean = np.diff(edges), (true[1:] + true[:-1]) / 2
    rates = {"airspeed": (np.diff(height) + mean * np.diff(true) / STANDARD_GRAVITY) / step}
    along = _along_heading(samples)
    if along is not None:
        ground = levels_at(time, along, edges)
        rates["ground speed"] = (np.diff(height) + mean * np.diff(ground) / STANDARD_GRAVITY) / step
    return min(rates.items(), key=lambda one: _scatter(middle, one[1]))


def _along_heading(samples: pd.DataFrame) -> Floats | None:
    """Ground speed over the cosine of the drift [m/s], shape (n,): in steady wind it changes as the airspeed does.

    None where it is not recorded throughout or the aircraft turned. Drift is taken as none where no heading tells it:
    a share of 0.4 % for each 5 degrees.
    """
    if not {"ground_speed", "track_true"} <= set(samples):
        return None
    over, track = (samples[name].to_numpy(dtype=np.float64) for name in ("ground_speed", "track_true"))
    heading = _heading(samples)
    steady = track if heading is None else heading
    if not (np.isfinite(over).all() and np.isfinite(track).all()):
        return None
    if np.ptp(np.quantile(np.unwrap(steady), [0.05, 0.95])) > MOST_TURN:
        return None
    drift = 1.0 if heading is None else float(np.median(np.cos(track - heading)))
    return np.asarray(over / drift, dtype=np.float64) if drift > np.cos(MOST_DRIFT) else None


def _heading(samples: pd.DataFrame) -> Floats | None:
    """True heading [rad], shape (n,); None where not recorded throughout."""
    if "heading_true" in samples:
        heading = samples["heading_true"]
    elif {"heading_magnetic", "magnetic_variation"} <= set(samples):
        heading = samples["heading_magnetic"] + samples["magnetic_variation"]
    else:
        return None
    return None if heading.isna().any() else heading.to_numpy(dtype=np.float64)


def _scatter(speed: Floats, rate: Floats) -> float:
    design = design_of(speed)
    return float(np.std(rate - design @ np.linalg.lstsq(design, rate, rcond=None)[0]))


def _mass(samples: pd.DataFrame, evidence: Evidence) -> float:
    own = float(samples["mass"].mean()) if "mass" in samples else float("nan")
    if np.isfinite(own) or evidence.settings.aircraft.mass is None:
        return own
    return float(evidence.settings.aircraft.mass)
