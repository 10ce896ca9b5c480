"""Airspeed against ground speed: a scale that fits another unit than the one stated.

Ground velocity less wind has the size of the true airspeed. With the wind free and the scale free,
turning flight tells both: minimise | |v - w| - k V | (the three-unknown form of the
ground-speed box methods of airspeed calibration).
"""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding
from ...shared.frame import sample_column
from ...shared.recording import Floats, Track
from .places import channel_facts, channel_where

FLYING_M_S = 20.0
LEAST_SAMPLES = 120
LEAST_QUARTERS = 3  # of the compass the flight must have gone to, or wind and scale cannot be told apart
NEAR = 0.05
# what the stated speed would be multiplied by if its numbers were in the second unit
CONFUSED: dict[str, float] = {
    "knots stated, statute miles an hour written": 1852 / 1609.344,
    "statute miles an hour stated, knots written": 1609.344 / 1852,
    "knots stated, kilometres an hour written": 1.852,
    "kilometres an hour stated, knots written": 1 / 1.852,
    "statute miles an hour stated, kilometres an hour written": 1.609344,
    "kilometres an hour stated, statute miles an hour written": 1 / 1.609344,
    "knots stated, metres a second written": 1852 / 3600,
    "metres a second stated, knots written": 3600 / 1852,
}


def find_speed_units(tracks: tuple[Track, ...]) -> list[Finding]:
    """UNIT_CHANGE_SUSPECTED where airspeed is larger or smaller than ground speed by the ratio of two units."""
    out = []
    for track in tracks:
        column = track.columns.get("indicated_airspeed")
        if column is None or column.derived_from:
            continue
        scale = airspeed_scale(track, tracks)
        if scale is None:
            continue
        words, ratio = min(CONFUSED.items(), key=lambda item: abs(np.log(scale / item[1])))
        if abs(np.log(scale / ratio)) < NEAR:
            text = f"{track.name}: {column.source_name} is {scale:.2f} times what ground speed and wind allow, as with {words}"
            facts = channel_facts(track, column, scale=round(scale, 3), ratio=ratio)
            out.append(Finding("UNIT_CHANGE_SUSPECTED", text, "doubt", channel_where(track, column), facts=facts))
    return out


def airspeed_scale(track: Track, tracks: tuple[Track, ...]) -> float | None:
    """Airspeed as recorded over airspeed as ground speed and a steady wind allow; None when it cannot be told."""
    holder = next((t for t in (track, *tracks) if {"ground_speed", "track_true"} <= set(t.columns)), None)
    height = next((t for t in (track, *tracks) if "pressure_altitude" in t.columns), None)
    if holder is None:
        return None
    time_s = np.arange(track.time_s[0], track.time_s[-1], 2.0)
    shown = sample_column(track, "indicated_airspeed", time_s).astype(np.float64)
    speed = sample_column(holder, "ground_speed", time_s).astype(np.float64)
    course = sample_column(holder, "track_true", time_s).astype(np.float64)
    metres = sample_column(height, "pressure_altitude", time_s).astype(np.float64) if height else np.zeros(len(time_s))
    with np.errstate(invalid="ignore"):
        true = shown / np.sqrt(np.clip(1 - 2.25577e-5 * metres, 0.2, 1.2) ** 4.2559)  # standard atmosphere
        good = (
            np.isfinite(true) & np.isfinite(speed) & np.isfinite(course) & (shown > FLYING_M_S) & (speed > FLYING_M_S)
        )
    if good.sum() < LEAST_SAMPLES:
        return None
    quarters = np.bincount((course[good] // (np.pi / 2)).astype(np.int64) % 4, minlength=4)
    if (quarters > 0.03 * good.sum()).sum() < LEAST_QUARTERS:
        return None
    return _solve_scale(speed[good], course[good], true[good])


def _solve_scale(speed: Floats, course: Floats, true: Floats) -> float | None:
    east, north = speed * np.sin(course), speed * np.cos(course)
    wind_east, wind_north, scale = 0.0, 0.0, float(np.median(speed) / np.median(true))
    for _ in range(15):
        left_east, left_north = east - wind_east, north - wind_north
        size = np.maximum(np.hypot(left_east, left_north), 1.0)
        error = size - scale * true
        slopes = np.column_stack([-left_east / size, -left_north / size, -true])
        limit = 2.0 * 1.4826 * float(np.median(np.abs(error))) + 1e-9
        weight = np.minimum(1.0, limit / np.maximum(np.abs(error), 1e-9))[:, None]
        step = np.linalg.lstsq(slopes * weight, -error * weight[:, 0], rcond=None)[0]
        wind_east, wind_north, scale = wind_east + step[0], wind_north + step[1], scale + step[2]
    if not scale > 0.1 or np.hypot(wind_east, wind_north) > np.median(speed):
        return None
    return float(1.0 / scale)
