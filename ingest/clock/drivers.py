"""Channels of a recorder that move the airframe, as regressors of a balance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats, Track
from .air import GRID_S, LEAST_ROWS, box_mean
from .series import Signal, channel_signal

# balance -> channel -> power of the speed its effect goes with (drag acts as V^3, power does not)
EFFECTS: dict[str, dict[str, int]] = {
    "energy_climb_rate": {
        "manifold_pressure": 0,
        "engine_speed": 0,
        "propeller_speed": 0,
        "power_lever": 0,
        "fuel_flow": 0,
        "fuel_mass_flow": 0,
        "gear_lever": 3,
        "gear_down_locked": 3,
        "gear_up_locked": 3,
        "gear_position": 3,
        "flap_position": 3,
        "flap_angle": 3,
        "flap_detent": 3,
    },
    "pitch": {"flap_position": 0, "flap_angle": 0, "flap_detent": 0},
}
# channels that follow the engine late; used only where nothing quicker is recorded
LATE = frozenset({"fuel_flow", "fuel_mass_flow"})
QUICK = frozenset({"manifold_pressure", "engine_speed", "propeller_speed", "power_lever"})
FLAPS = frozenset({"flap_position", "flap_angle", "flap_detent"})


@dataclass(frozen=True, slots=True, eq=False)
class Drivers:
    """Another recorder's channels, averaged over the box. signal.values: (n, k), exponents: (k,)."""

    signal: Signal
    exponents: NDArray[np.int64]
    names: tuple[str, ...]


def read_drivers(track: Track, balance: str) -> Drivers | None:
    """The channels of a track that act in the named balance, None when it holds none that changes."""
    effects = EFFECTS[balance]
    names = [n for n in effects if n in track.columns and n not in LATE]
    if not set(names) & QUICK:
        names += [n for n in effects if n in track.columns and n in LATE]
    signals = {n: s for n in names if (s := channel_signal(track, n)) is not None}
    if not signals:
        return None
    start = min(s.time_s[0] for s in signals.values())
    stop = max(s.time_s[-1] for s in signals.values())
    time_s = np.arange(np.ceil(start / GRID_S) * GRID_S, stop, GRID_S)
    if len(time_s) < LEAST_ROWS:
        return None
    terms, exponents, labels = _terms({n: _scaled(s.at(time_s)[:, 0]) for n, s in signals.items()}, effects)
    boxed = box_mean(np.column_stack(terms))
    good = np.isfinite(boxed).all(axis=1)
    if good.sum() < LEAST_ROWS:
        return None
    return Drivers(Signal(time_s[good], boxed[good], 1.5 * GRID_S), np.array(exponents), tuple(labels))


def _scaled(values: Floats) -> Floats:
    return np.asarray(values / max(float(np.nanstd(values)), 1e-12))


def _terms(values: dict[str, Floats], effects: dict[str, int]) -> tuple[list[Floats], list[int], list[str]]:
    """Every channel, squares where the effect bends, and power as speed times pressure."""
    terms, exponents, labels = list(values.values()), [effects[n] for n in values], list(values)
    for name in values:
        if name in FLAPS:
            _add(terms, exponents, labels, (values[name] ** 2, effects[name], name))
    speed = next((n for n in ("engine_speed", "propeller_speed") if n in values), None)
    if speed is not None:
        _add(terms, exponents, labels, (values[speed] ** 2, 0, speed))
        _add(terms, exponents, labels, (values[speed] ** 2, 1, speed))
        if "manifold_pressure" in values:
            _add(terms, exponents, labels, (values[speed] * values["manifold_pressure"], 0, "manifold_pressure"))
    return terms, exponents, labels


def _add(terms: list[Floats], exponents: list[int], labels: list[str], one: tuple[Floats, int, str]) -> None:
    terms.append(one[0])
    exponents.append(one[1])
    labels.append(one[2])
