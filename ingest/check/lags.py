"""Channels that follow late: static line, vertical-speed indicator."""

from __future__ import annotations

from ...shared.findings import Finding
from ...shared.recording import Floats, Track
from ..clock.air import LEAST_WINDOWS, air_data_lag
from ..clock.series import channel_signal
from ..clock.shared_channel import Comparison, fine_shift
from .first_order import first_order_lag, first_order_rate_lag
from .places import channel_facts, channel_where

STATIC_S = 0.25  # lags below these are not worth a word
VERTICAL_S = 1.0
SHORT_S = 600.0  # longer logs have windows enough
KNOWN_S = 0.3
_RATE = Comparison(bias=True, floor_s=0.0, window_s=60.0)


def find_lags(track: Track) -> list[Finding]:
    """LAG_SUSPECTED for pressure altitude against satellite height and vertical speed against altitude."""
    return [*_static_lag(track), *_vertical_lag(track)]


def _static_lag(track: Track) -> list[Finding]:
    column = track.columns.get("pressure_altitude")
    if column is None or column.derived_from:
        return []
    lag_s = air_data_lag(track, least_s=_least(track, STATIC_S)) or _short_lag(
        track, "pressure_altitude", _satellite_height(track)
    )
    if lag_s < STATIC_S:
        return []
    text = f"{track.name}: {column.source_name} follows satellite height {lag_s:.1f} s late; heights near the ground and sharp manoeuvres are affected"
    facts = channel_facts(track, column, lag_s=round(lag_s, 2))
    return [Finding("LAG_SUSPECTED", text, "note", channel_where(track, column), facts=facts)]


def _short_lag(track: Track, name: str, truth: Floats | None) -> float:
    """The lag of a log too short for the comparison by windows; 0 when there is none or it is not clear."""
    if truth is None or not _is_short(track):
        return 0.0
    return first_order_lag(track.time_s, track.columns[name].values, truth)


def _least(track: Track, told_s: float) -> float | None:
    """The lag from which on the comparison by windows must be carried to its end; a short log always needs all of it."""
    return None if _is_short(track) else told_s


def _is_short(track: Track) -> bool:
    return float(track.time_s[-1] - track.time_s[0]) <= SHORT_S


def _satellite_height(track: Track) -> Floats | None:
    names = [n for n in ("gnss_altitude", "gnss_unnamed_altitude") if n in track.columns]
    return track.columns[names[0]].values if names else None


def _vertical_lag(track: Track) -> list[Finding]:
    column = track.columns.get("vertical_speed")
    if column is None or column.derived_from:
        return []
    shown, height = channel_signal(track, "vertical_speed"), channel_signal(track, "pressure_altitude")
    if shown is None or height is None:
        return []
    found = fine_shift(shown, height.slopes(), _RATE, 1.0, least_s=_least(track, VERTICAL_S))
    if found is None or found[0].windows < LEAST_WINDOWS or found[0].uncertainty_s > KNOWN_S:
        rate, height_m = column.values, track.columns["pressure_altitude"].values
        lag_s = first_order_rate_lag(track.time_s, rate, height_m) if _is_short(track) else 0.0
    else:
        lag_s = found[0].middle_offset_s
    if lag_s < VERTICAL_S:
        return []
    text = f"{track.name}: {column.source_name} follows the altitude's rate {lag_s:.1f} s late; climb rates are taken from altitude"
    facts = channel_facts(track, column, lag_s=round(lag_s, 2))
    return [Finding("LAG_SUSPECTED", text, "note", channel_where(track, column), facts=facts)]
