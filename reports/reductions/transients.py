"""Gear and flaps on their way: how long they travel, and what was out at each moment of a stretch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .bands import Band, band_of
from .evidence import Evidence
from .sheet import Reference

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
GEAR_EVENTS = ("gear_down", "gear_up")
RECORDED = 0.9  # confidence of an event that a switch or position channel recorded
INSTALLED_S = 0.5  # type B of a travel time: sample interval and switch adjustment; common practice, no source


@dataclass(frozen=True, slots=True)
class Travel:
    """Travel times of one movement, 'gear down' or 'flap up to full': band of the next one [s], and what it rests on."""

    movement: str
    time: Band
    share: float  # of the full travel that the movement covers, 1 for gear
    count: int
    recorded: bool
    used: tuple[Reference, ...]


@dataclass(frozen=True, slots=True)
class Move:
    """One movement in a sortie: states before and after, start and stop [s], and whether a channel recorded it."""

    device: str
    before: str
    after: str
    start_s: float
    stop_s: float
    recorded: bool


def own_events(evidence: Evidence) -> pd.DataFrame:
    """Events of the evidence's sorties alone: two aircraft's flaps are never pooled."""
    events = evidence.programme.events()
    return events[events["sortie"].isin(evidence.sorties)]


def moves_of(events: pd.DataFrame, sortie: str) -> tuple[Move, ...]:
    """Gear and flap movements of a sortie in time order, from `Programme.events()`."""
    own = events[(events["sortie"] == sortie) & events["kind"].isin([*GEAR_EVENTS, "flap_change"])]
    return tuple(_move_of(row) for row in own.sort_values("time_s").to_dict("records"))


def _move_of(row: Mapping[str, Any]) -> Move:
    recorded = float(row["confidence"]) >= RECORDED
    start, stop = float(row["time_s"]), float(row["stop_s"])
    if row["kind"] in GEAR_EVENTS:
        after = "down" if row["kind"] == "gear_down" else "up"
        return Move("gear", "up" if after == "down" else "down", after, start, stop, recorded)
    return Move("flap", str(row["before"]), str(row["after"]), start, stop, recorded)


def shares_of(moves: Iterable[Move], device: str, labels: Iterable[str], *, time_s: Floats) -> dict[str, Floats]:
    """State -> its share (n,), 0 to 1 and 1 in sum, of gear or flap at rising times (n,); straight between start and stop.

    labels: the states told sample by sample: what holds where no movement is recorded.
    """
    own = [m for m in moves if m.device == device]
    words = np.asarray(list(labels), dtype=object)
    first = next((str(w) for w in words if w is not None and w == w and w != "transit"), "unknown")
    before = [m for m in own if m.start_s <= time_s[0]]
    after = [m for m in own if m.start_s > time_s[0]]
    state = before[-1].before if before else after[0].before if after else first
    shares = {state: np.ones(len(time_s))}
    for move in (*before[-1:], *(m for m in after if m.start_s < time_s[-1])):
        gone = np.clip((time_s - move.start_s) / max(move.stop_s - move.start_s, 1e-3), 0.0, 1.0)
        shares = {word: share * (1 - gone) for word, share in shares.items()}
        shares[move.after] = shares.get(move.after, np.zeros(len(time_s))) + gone
    return shares


def travel_times(events: pd.DataFrame, sorties: Iterable[str]) -> tuple[Travel, ...]:
    """Each movement's travel times in flight or on the ground, those recorded by a channel before inferred ones."""
    known = events[events["sortie"].isin(set(sorties)) & events["kind"].isin([*GEAR_EVENTS, "flap_change"])]
    groups: dict[tuple[str, bool], list[Mapping[str, Any]]] = {}
    for row in known.to_dict("records"):
        if float(row["stop_s"]) > float(row["time_s"]):
            groups.setdefault((_name_of(row), float(row["confidence"]) >= RECORDED), []).append(row)
    recorded = {name for name, measured in groups if measured}
    kept = [item for item in sorted(groups.items()) if item[0][1] or item[0][0] not in recorded]
    return tuple(_travel(name, measured, rows) for (name, measured), rows in kept)


def _name_of(row: Mapping[str, Any]) -> str:
    if row["kind"] in GEAR_EVENTS:
        return str(row["kind"]).replace("_", " ")
    return f"flap {row['before']} to {row['after']}"


def _travel(name: str, recorded: bool, rows: list[Mapping[str, Any]]) -> Travel:
    seconds = np.array([float(r["stop_s"]) - float(r["time_s"]) for r in rows])
    middle = float(np.median(seconds))
    spread = 1.4826 * float(np.median(np.abs(seconds - middle))) if len(seconds) > 1 else 0.1 * middle
    facts = [r["facts"] for r in rows if r["facts"].get("from_level") is not None]
    share = abs(float(facts[0]["to_level"]) - float(facts[0]["from_level"])) if facts else 1.0
    used = tuple(Reference(str(r["sortie"]), None, float(r["time_s"]), float(r["stop_s"])) for r in rows)
    return Travel(name, band_of(middle, spread, INSTALLED_S, unit="s"), share, len(rows), recorded, used)


def flap_levels(events: pd.DataFrame) -> dict[str, float]:
    """Flap state -> its share of full travel, as the movements tell it; 'up' is 0."""
    levels: dict[str, list[float]] = {"up": [0.0]}
    for row in events[events["kind"] == "flap_change"].to_dict("records"):
        for word, key in ((row["before"], "from_level"), (row["after"], "to_level")):
            if row["facts"].get(key) is not None:
                levels.setdefault(str(word), []).append(float(row["facts"][key]))
    return {word: float(np.median(values)) for word, values in levels.items()}
