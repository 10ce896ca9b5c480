"""What may be pooled: points of one kind, gear, flap, propulsion and, with the throttle closed, one way the propeller turns.

A windmilling constant-speed propeller either stands on its fine stop, its speed then following true airspeed,
or is governed to a speed the lever asks for. Which of them a point was flown with is told from the data: the
ratio of engine speed to true airspeed is highest on the fine stop and nearly constant there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from .evidence import Evidence

MOVING = ("up", "down", "transit")  # words of a gear that can move
CLOSED = frozenset({"idle", "windmilling", "governed", "off"})  # propulsion without power
STOPPED = "stopped"  # propulsion state of a propeller that stands still
FINE_STOP_SHARE = 0.82  # of the highest ratio: density, friction and fast flight move it by more than ten percent; common practice, no source
LEVEL_STEP = 50 / 60  # governed speeds are named to 50 rpm
LEVEL_SHARE = 0.03  # points within this share of each other were governed to one speed

FINE_STOP = "on the fine stop"
NO_CLASS = ""
UNKNOWN_CLASS = "propeller not told"


@dataclass(frozen=True, slots=True, order=True)
class Condition:
    """What is pooled. propeller: FINE_STOP, 'governed to 1250 rpm', '' where there is only one way, or not told."""

    kind: str
    gear: str
    flap: str
    propulsion: str
    propeller: str = NO_CLASS

    @property
    def words(self) -> str:
        """'glide, gear down, flap full, idle, on the fine stop'."""
        parts = [self.kind, f"gear {self.gear}", f"flap {self.flap}", self.propulsion, self.propeller]
        return ", ".join(part for part in parts if part)

    @property
    def configuration(self) -> str:
        """The same without the kind."""
        return self.words.partition(", ")[2]

    @property
    def is_known(self) -> bool:
        """Whether gear (where it can move), flap and propulsion are known and the propeller's way with them."""
        states = (self.flap, self.propulsion)
        return not any(word in ("unknown", "transit", "several") for word in (*states, self.gear)) and (
            self.propeller != UNKNOWN_CLASS
        )


def conditions_of(evidence: Evidence) -> pd.DataFrame:
    """The accepted points with `condition` and `propeller`, as every reduction pools them."""
    governed = evidence.settings.aircraft.governed_propeller
    return with_conditions(evidence.points, governed=governed, fixed_gear=gear_is_fixed(evidence))


def gear_is_fixed(evidence: Evidence) -> bool:
    """Whether the gear never moves: the settings' word, else that no flight of the aircraft tells up from down."""
    retracts = evidence.settings.aircraft.retractable_gear
    if retracts is not None:
        return not retracts
    told = evidence.points["gear"].isin(MOVING) if len(evidence.points) else pd.Series(dtype=bool)
    return not evidence.gear_moves and not bool(told.any())


def with_conditions(points: pd.DataFrame, *, governed: bool | None = None, fixed_gear: bool = False) -> pd.DataFrame:
    """Points with a column `condition` (Condition) and `propeller`.

    points: rows of Evidence.points. governed: whether the propeller is a constant-speed one, None when not known.
    fixed_gear: gear that is unknown because it never moves counts as fixed.
    """
    out = points.copy()
    if fixed_gear:
        out["gear"] = out["gear"].replace("unknown", "fixed")
    out["propeller"] = propeller_classes(out, governed=governed)
    keys = ("kind", "gear", "flap", "propulsion", "propeller")
    out["condition"] = (
        [Condition(*map(str, row)) for row in out[list(keys)].itertuples(index=False)] if len(out) else []
    )
    return out


def propeller_classes(points: pd.DataFrame, *, governed: bool | None = None) -> pd.Series:
    """How the propeller turned at each point flown with the throttle closed; '' for points with power."""
    names = pd.Series(NO_CLASS, index=points.index, dtype=object)
    closed = points["propulsion"].isin(CLOSED)
    if not closed.any() or governed is False:
        return names
    if "engine_speed" not in points or "true_airspeed" not in points:
        return names.where(~closed, UNKNOWN_CLASS if governed else NO_CLASS)
    speed, air = points["engine_speed"], points["true_airspeed"]
    known = closed & speed.notna() & air.notna() & (air > 0) & (speed > 0)
    ratio = (speed / air).where(known)
    if not known.any():
        return names.where(~closed, UNKNOWN_CLASS if governed else NO_CLASS)
    top = float(ratio[ratio >= ratio.quantile(0.75)].median())
    on_stop = known & (ratio >= FINE_STOP_SHARE * top)
    levels = _levels(speed[known & ~on_stop])
    if not levels and not governed:
        return names  # one way of turning only: a fixed pitch, or a lever never moved
    names[closed & ~known] = UNKNOWN_CLASS
    names[on_stop] = FINE_STOP
    for index, value in speed[known & ~on_stop].items():
        level = min(levels, key=lambda one: abs(one - value))
        names[index] = f"governed to {round(level / LEVEL_STEP) * LEVEL_STEP * 60:.0f} rpm"
    return names


def _levels(speeds: pd.Series) -> list[float]:
    """Engine speeds [1/s] several points were governed to: medians of runs of neighbours in order of speed."""
    ordered = np.sort(np.asarray(speeds, dtype=np.float64))
    if not len(ordered):
        return []
    cuts = np.flatnonzero(np.diff(ordered) > LEVEL_SHARE * ordered[:-1]) + 1
    return [float(np.median(part)) for part in np.split(ordered, cuts)]
