"""A sortie's page: what its picture needs besides the samples - channels, points, events, lanes, ground track."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ...shared.vocabulary import STATES, meaning_of
from ..display import display_unit, number
from ..listing import utc_text
from ..page_history import lanes_of
from ..page_tables import facts_of, headline_of
from .channel_groups import channel_choices
from .histories import Histories

if TYPE_CHECKING:
    import pandas as pd

    from ...store.programme import Programme

_TRACK_POINTS = 1500
_EARTH_M = 6_371_008.8  # mean radius of the Earth, IUGG


def sortie_context(programme: Programme, sortie: str, histories: Histories) -> dict[str, Any]:
    """Everything of the sortie's page but the samples. Raises UnknownSortieError."""
    settings = programme.settings
    row = _row_of(programme, sortie)
    channels = programme.channels(sortie).query("track == 'frame'")
    judged = programme.judged_points(sortie, refused=True)
    held = {str(name): int(valid) for name, valid in zip(channels["channel"], channels["valid"], strict=True)}
    numeric = [name for name, valid in held.items() if valid and name not in STATES and not _is_word(name)]
    card = programme.card(sortie)
    return {
        "sortie": sortie,
        "headline": headline_of(row, card),
        "facts": facts_of(row, card, int(judged["accepted"].sum()), settings),
        "start": row["start_utc"].timestamp(),
        "length": float(row["duration_s"]),
        "channels": channel_choices(numeric, settings),
        "points": [_point(one) for one in judged.to_dict("records")],
        "events": [_event(one) for one in programme.events(sortie).to_dict("records")],
        "lanes": lanes_of(programme.states(sortie), 0.0),
        "track": ground_track(programme, sortie, histories, numeric),
        "questions": [question.question.id for question in programme.questions(sortie)],
    }


def point_columns(programme: Programme) -> dict[str, str | None]:
    """Channels of the table of points with their units."""
    names = ("calibrated_airspeed", "pressure_altitude", "sink_rate", "engine_speed", "static_air_temperature")
    return {name: display_unit(name, programme.settings) for name in names}


def _row_of(programme: Programme, sortie: str) -> Any:
    programme.card(sortie)  # says which sorties there are when there is no such one
    return programme.sorties().set_index("sortie").loc[sortie]


def _is_word(name: str) -> bool:
    entry = meaning_of(name)
    return entry is not None and entry.is_text


def _point(row: dict[Any, Any]) -> dict[str, Any]:
    """A point for the picture; `said`: what a person said of it, None when nobody did."""
    return {
        "number": int(row["number"]),
        "start": round(float(row["start_s"]), 3),
        "stop": round(float(row["stop_s"]), 3),
        "kind": row["kind"],
        "gear": row["gear"],
        "flap": row["flap"],
        "propulsion": row["propulsion"],
        "accepted": bool(row["accepted"]),
        "said": _said(row),
        "why": "; ".join(str(reason["text"]) for reason in row["reasons"] or []),
    }


def _said(row: dict[Any, Any]) -> dict[str, Any] | None:
    if not isinstance(row["judgement"], str):
        return None
    return {
        "action": row["judgement"],
        "by": row["judged_by"],
        "reason": row["judged_reason"],
        "when": utc_text(row["judged_utc"]),
    }


def _event(row: dict[Any, Any]) -> dict[str, Any]:
    return {
        "time": round(float(row["time_s"]), 2),
        "stop": round(float(row["stop_s"]), 2),
        "label": str(row["kind"]).replace("_", " "),
        "note": f"± {number(float(row['uncertainty_s']), 's')} s, confidence {row['confidence']:.2f}, from {row['channel']}",
    }


def ground_track(
    programme: Programme, sortie: str, histories: Histories, numeric: list[str]
) -> dict[str, list[float | None]] | None:
    """Metres east and north of the first fix against time, thinned; None between fixes that a gap parts.

    None without positions. A local plane on a sphere: within 0.3 % of the ellipsoid, enough for a picture.
    """
    if not {"latitude", "longitude"} <= set(numeric):
        return None
    held = histories.hold(programme, sortie, ["latitude", "longitude"])
    latitude, longitude = held.channels["latitude"], held.channels["longitude"]
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if len(known) < 2:
        return None
    chosen = known[:: max(1, len(known) // _TRACK_POINTS)]
    middle = np.radians(latitude[chosen].mean())
    east = np.radians((longitude[chosen] - longitude[chosen[0]] + 180) % 360 - 180) * np.cos(middle) * _EARTH_M
    north = np.radians(latitude[chosen] - latitude[chosen[0]]) * _EARTH_M
    out: dict[str, list[float | None]] = {"t": [], "x": [], "y": []}
    lost = np.cumsum(~np.isfinite(latitude) | ~np.isfinite(longitude))
    for place, row in enumerate(chosen):
        if place and _is_parted(held.time_s, lost, int(chosen[place - 1]), int(row), held.gap_s):
            for name in out:
                out[name].append(None)
        out["t"].append(round(float(held.time_s[row]), 2))
        out["x"].append(round(float(east[place]), 1))
        out["y"].append(round(float(north[place]), 1))
    return out


def _is_parted(time_s: Any, lost: Any, before: int, row: int, gap_s: float) -> bool:
    """Whether a gap of the recorder, or more than 10 s without a fix, lies between two rows."""
    if float(np.diff(time_s[before : row + 1]).max()) > gap_s:
        return True
    step = float(time_s[row] - time_s[before]) / max(1, row - before)
    return int(lost[row] - lost[before]) * step > 10.0


def tables_context(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as plain records."""
    return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]
