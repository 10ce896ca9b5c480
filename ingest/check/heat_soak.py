"""A temperature probe warmed by sun, engine and apron while no air flows past it."""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding
from ...shared.frame import sample_column
from ...shared.recording import Floats, Track
from .places import channel_facts, channel_where
from .stuck import LAPSE_K_PER_M

# common practice, no source: heat soak reaches ten kelvin and goes within a minute or two of flowing air
STANDING_M_S, FLYING_M_S = 10.0, 20.0
STANDING_S, LEAVES_S, COMPARED_S = 20.0, 60.0, 300.0
WARM_K = 3.0
NEAR_K = 1.0
LEAST_ROWS = 10
_SPEEDS = ("indicated_airspeed", "calibrated_airspeed", "ground_speed")
_HEIGHTS = ("pressure_altitude", "baro_altitude", "gnss_altitude", "unnamed_altitude", "gnss_unnamed_altitude")


def find_heat_soak(track: Track, tracks: tuple[Track, ...]) -> list[Finding]:
    """HEAT_SOAKED where the outside temperature before take-off is far above that of the air met afterwards."""
    column = track.columns.get("outside_air_temperature")
    speed, height = _sampled(track, tracks, _SPEEDS), _sampled(track, tracks, _HEIGHTS)
    if column is None or column.derived_from or speed is None or height is None:
        return []
    air = column.values - LAPSE_K_PER_M * height  # brought to one height
    flying = np.flatnonzero(speed > FLYING_M_S)
    if not len(flying):
        return []
    start_s = float(track.time_s[flying[0]])
    standing = (track.time_s < start_s) & (speed < STANDING_M_S) & np.isfinite(air)
    after = track.time_s - start_s
    flown = (after > LEAVES_S) & (after < COMPARED_S) & (speed > FLYING_M_S) & np.isfinite(air)
    if min(standing.sum(), flown.sum()) < LEAST_ROWS or np.ptp(track.time_s[standing]) < STANDING_S:
        return []
    free = float(np.median(air[flown]))
    excess = float(np.median(air[standing])) - free
    if excess < WARM_K:
        return []
    cooled = np.flatnonzero((after > 0) & (air - free < NEAR_K))
    first, stop = float(track.time_s[standing][0]), float(track.time_s[cooled[0]] if len(cooled) else start_s)
    text = (
        f"{track.name}: {column.source_name} on the ground is {excess:.1f} K above the air met after take-off: the probe "
        f"was heat-soaked until {stop - start_s:.0f} s after it; density and take-off figures are affected"
    )
    facts = channel_facts(track, column, excess=round(excess, 2), cooled_after_s=round(stop - start_s, 1))
    where = channel_where(track, column)
    return [Finding("HEAT_SOAKED", text, "doubt", where, 1, first, stop, facts)]


def _sampled(track: Track, tracks: tuple[Track, ...], names: tuple[str, ...]) -> Floats | None:
    """The first of the channels that any track has, at this track's times."""
    for name in names:
        for holder in (track, *tracks):
            if name in holder.columns:
                return np.asarray(sample_column(holder, name, track.time_s), dtype=np.float64)
    return None
