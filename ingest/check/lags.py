"""Channels that follow late: static line, vertical-speed indicator."""

from __future__ import annotations

from ...shared.findings import Finding
from ...shared.recording import Track
from ..clock.air import LEAST_WINDOWS, air_data_lag
from ..clock.series import channel_signal
from ..clock.shared_channel import Comparison, fine_shift
from .places import channel_facts, channel_where

STATIC_S = 0.25  # lags below these are not worth a word
VERTICAL_S = 1.0
KNOWN_S = 0.3
_RATE = Comparison(bias=True, floor_s=0.0, window_s=60.0)


def find_lags(track: Track) -> list[Finding]:
    """LAG_SUSPECTED for pressure altitude against satellite height and vertical speed against altitude."""
    return [*_static_lag(track), *_vertical_lag(track)]


def _static_lag(track: Track) -> list[Finding]:
    column = track.columns.get("pressure_altitude")
    if column is None or column.derived_from:
        return []
    lag_s = air_data_lag(track)
    if lag_s < STATIC_S:
        return []
    text = f"{track.name}: {column.source_name} follows satellite height {lag_s:.1f} s late; heights near the ground and sharp manoeuvres are affected"
    facts = channel_facts(track, column, lag_s=round(lag_s, 2))
    return [Finding("LAG_SUSPECTED", text, "note", channel_where(track, column), facts=facts)]


def _vertical_lag(track: Track) -> list[Finding]:
    column = track.columns.get("vertical_speed")
    if column is None or column.derived_from:
        return []
    shown, height = channel_signal(track, "vertical_speed"), channel_signal(track, "pressure_altitude")
    if shown is None or height is None:
        return []
    found = fine_shift(shown, height.slopes(), _RATE, 1.0)
    if found is None or found[0].windows < LEAST_WINDOWS or found[0].uncertainty_s > KNOWN_S:
        return []
    if found[0].offset_s < VERTICAL_S:
        return []
    lag_s = found[0].offset_s
    text = f"{track.name}: {column.source_name} follows the altitude's rate {lag_s:.1f} s late; climb rates are taken from altitude"
    facts = channel_facts(track, column, lag_s=round(lag_s, 2))
    return [Finding("LAG_SUSPECTED", text, "note", channel_where(track, column), facts=facts)]
