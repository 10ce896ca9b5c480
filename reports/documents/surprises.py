"""The three most surprising numbers of a sortie: against the other flights, then inside it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ...shared.settings import Settings
from ..reductions.changes import reduce_changes
from ..reductions.changes_sheet import said_difference
from ..reductions.evidence import Evidence
from ..reductions.present import probability_text, say

COUNT = 3
_STANDS_OUT = 2.5  # deviations of a point from its condition's curve, from which on it is worth a look


def find_surprises(evidence: Evidence, sortie: str) -> list[str]:
    """Up to three sentences, the most surprising first; fewer when fewer numbers stand out."""
    told = [
        f"{one.words}, {one.condition} at {say(one.airspeed, 'speed', evidence.settings)}: "
        f"{said_difference(one, evidence.settings)} against the other flights (p {probability_text(one.p_value)})."
        for one in reduce_changes(evidence).differences
        if one.seen
    ]
    told += _odd_points(evidence.points[evidence.points["sortie"] == sortie], evidence.settings)
    return told[:COUNT]


def _odd_points(points: pd.DataFrame, settings: Settings) -> list[str]:
    """Points whose sink lies far from the parabola in airspeed through their condition's points of the flight."""
    odd: list[tuple[float, str]] = []
    if "sink_rate" not in points:
        return []
    for key, group in points.groupby(["kind", "gear", "flap", "propulsion"], sort=True):
        known = group[group["sink_rate"].notna() & group["calibrated_airspeed"].notna()]
        if len(known) < 6 or key[0] not in ("glide", "climb", "descent"):
            continue
        speed = known["calibrated_airspeed"] - known["calibrated_airspeed"].mean()
        left = known["sink_rate"] - np.polyval(np.polyfit(speed, known["sink_rate"], 2), speed)
        spread = 1.4826 * float(np.median(np.abs(left - left.median())))  # a normal distribution's deviation
        for position, off in enumerate(left):
            if spread > 0 and abs(off) > _STANDS_OUT * spread:
                row = known.iloc[position]
                text = (
                    f"point {row['number']} ({key[0]}, gear {key[1]}, flap {key[2]}) sinks "
                    f"{say(float(off), 'vertical_speed', settings, difference=True)} off its neighbours' curve, "
                    f"{abs(off) / spread:.1f} deviations."
                )
                odd.append((-abs(off) / spread, text))
    return [text for _, text in sorted(odd)]
