"""Whether what was flown as a near miss is refused, and with a reason that says why.

A near miss is refused rightly when no point covers more than half of it and a refused candidate that shares at
least 0.3 of the shorter of the two names a criterion that goes with what was flown. Of a point that was meant and not
held (`not_held:...`) any criterion does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from .scoring import Interval, Truth, overlap

Candidate = tuple[Interval, frozenset[str]]  # interval, criteria it breaks

_HELD = {"airspeed_band", "airspeed_trend", "airspeed_drift"}
_ENGINE = {"manifold_pressure", "engine_speed", "fuel_flow", "power_change", "energy_rate", "engine_speed_scatter"}
_STEPS = {"manifold_pressure_step", "engine_speed_step", "fuel_flow_step"}
RIGHT_REASONS: Mapping[str, set[str]] = {
    "airspeed_drift": _HELD,
    "turning": {"heading", "bank"},
    "gear_in_transit": {"gear_moving", "configuration", "unrecorded_change"},
    "flap_in_transit": {"flap_moving", "configuration", "unrecorded_change"},
    "power_creep": _ENGINE | _STEPS,
    "rpm_change": {"engine_speed", "engine_speed_step", "engine_speed_scatter"},
    "too_short": {"duration"},
    "ragged": _HELD | {"vertical_speed", "bank", "heading", "air_roughness"},
}


def judge_near_misses(
    truth: Truth, points: Sequence[Interval], refused: Sequence[Candidate]
) -> Iterator[tuple[Mapping[str, Any], str]]:
    """Every near miss of a sortie with 'right', 'accepted' (a point covers it), 'other reason' or 'no candidate'."""
    for near in truth["near_misses"]:
        span = float(near["start"]), float(near["end"])
        length = span[1] - span[0]
        if any(overlap(span, point) > 0.5 * length for point in points):
            yield near, "accepted"
            continue
        over = [c for c in refused if overlap(span, c[0]) > 0.3 * min(length, c[0][1] - c[0][0])]
        told = {name for _, names in over for name in names}
        if told & RIGHT_REASONS.get(near["why"], told):
            yield near, "right"
        else:
            yield near, "other reason" if over else "no candidate"
