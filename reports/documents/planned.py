"""What the card planned against what was flown: each planned point with the found one that fits it best, or none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from ...shared.units import to_si

WINDOW = to_si(5.0, "kt")
_NEVER = 1e6
# words of a planned configuration -> the state it asks for; common practice, no source
_GEAR = {"down": ("gear", "landing", "dirty"), "up": ("clean", "cruise")}
_FLAP_UP = ("clean",)


@dataclass(frozen=True, slots=True)
class Planned:
    """One planned point; number of the accepted point that met it, None when none did."""

    text: str
    number: int | None
    difference: float | None  # airspeed flown less planned [m/s]


def match_planned(card: Mapping[str, Any], points: pd.DataFrame) -> tuple[Planned, ...]:
    """Each planned point with at most one found point: same kind, configuration not contradicted, airspeed within 5 kt.

    The pairing as a whole has the least sum of airspeed differences (Hungarian method, scipy).
    """
    planned = list(card.get("planned_points") or ())
    if not planned:
        return ()
    found = points.to_dict("records")
    cost = np.full((len(planned), len(found)), _NEVER)
    for i, wish in enumerate(planned):
        for j, row in enumerate(found):
            cost[i, j] = _cost(wish, {str(k): v for k, v in row.items()})
    pairs = dict(zip(*linear_sum_assignment(cost), strict=True)) if found else {}
    out = []
    for i, wish in enumerate(planned):
        place = pairs.get(i)
        met = place is not None and cost[i, place] < _NEVER
        row = found[place] if place is not None and met else {}
        out.append(
            Planned(
                _text(wish, i),
                int(row["number"]) if met else None,
                _speed(row, wish) - float(wish["airspeed_m_s"]) if met and wish.get("airspeed_m_s") else None,
            )
        )
    return tuple(out)


def _text(wish: Mapping[str, Any], position: int) -> str:
    return f"{wish.get('number') or position + 1}: {wish.get('text') or 'planned point'}"


def _speed(row: Mapping[Any, Any], wish: Mapping[str, Any]) -> float:
    name = "indicated_airspeed" if wish.get("airspeed_reference") == "indicated" else "calibrated_airspeed"
    return float(row.get(name) or row.get("calibrated_airspeed") or float("nan"))


def _cost(wish: Mapping[str, Any], row: Mapping[str, Any]) -> float:
    kind, words = wish.get("kind"), str(wish.get("configuration") or "").lower()
    if kind and row["kind"] != kind:
        return _NEVER
    for state, hints in _GEAR.items():
        if any(hint in words for hint in hints) and row["gear"] in ("up", "down") and row["gear"] != state:
            return _NEVER
    if any(hint in words for hint in _FLAP_UP) and row["flap"] not in ("up", "unknown"):
        return _NEVER
    if "gear" in words and "flap" not in words and row["flap"] not in ("up", "unknown"):
        return _NEVER
    if ("landing" in words or "flap" in words) and row["flap"] == "up":
        return _NEVER
    if not wish.get("airspeed_m_s"):
        return WINDOW
    off = abs(_speed(row, wish) - float(wish["airspeed_m_s"]))
    return off if off <= WINDOW else _NEVER
