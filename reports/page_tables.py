"""The tables of a sortie's page: facts, points, refused candidates, events, findings, files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .display import clock_text, display_unit, number, shown, side_text, with_band
from .listing import clock_time, epoch_of, utc_text
from .manoeuvres import manoeuvre_records, manoeuvre_text
from .point_bands import bands_note, whole_band
from .records import event_records, records_of, rows_text, with_rows

if TYPE_CHECKING:
    from ..shared.settings import Settings
    from ..store.programme import Programme

# channel of a points-table column, its head
_COLUMNS = (
    ("calibrated_airspeed", "calibrated airspeed"),
    ("pressure_altitude", "pressure altitude"),
    ("sink_rate", "sink"),
    ("engine_speed", "engine speed"),
    ("static_air_temperature", "air temperature"),
)


def tables_of(programme: Programme, sortie: str) -> dict[str, Any]:
    """The page's tables and facts, every number as text in display units."""
    settings = programme.settings
    found = programme.points(sortie, refused=True)
    candidates = with_rows(records_of(found, programme, sortie), programme, sortie)
    points = [p for p in candidates if p["accepted"]]
    row = programme.sorties().set_index("sortie").loc[sortie]
    held = [c for c in _COLUMNS if any(c[0] in p["statistics"] for p in points)]
    card = programme.card(sortie)
    return {
        "start_utc": utc_text(row["start_utc"]),
        "headline": headline_of(row, card),
        "facts": facts_of(row, card, len(points), settings),
        "point_columns": [{"head": head, "unit": display_unit(c, settings)} for c, head in held],
        "bands": bands_note(settings),
        "points": [_point_row(p, held) for p in points],
        "refused": [_refused_row(p) for p in candidates if not p["accepted"]],
        "events": [_event_row(e) for e in event_records(programme, sortie, None)],
        "manoeuvres": [_manoeuvre_row(m) for m in manoeuvre_records(programme, sortie, None)],
        "findings": [_finding_row(f) for f in programme.findings(sortie).to_dict("records")],
        "sources": [_source_row(s) for s in programme.ledger(sortie).to_dict("records")],
        "settings_hash": row["settings_hash"],
        "detector": str(found["detector"].iloc[0]) if len(found) else "–",
        "added": f"{row['added_utc']:%Y-%m-%d %H:%M} UTC",
    }


def headline_of(row: Any, card: Any) -> str:
    """Aircraft, date, purpose of a sortie in one line; row: of Programme.sorties()."""
    aircraft = row["aircraft"] if isinstance(row["aircraft"], str) and row["aircraft"] else "aircraft not named"
    words = [aircraft, f"{row['start_utc']:%A %d %B %Y, %H:%M:%S} UTC"]
    if card.get("purpose"):
        words.append(str(card["purpose"]))
    return " · ".join(words)


def facts_of(row: Any, card: Any, points: int, settings: Settings) -> list[dict[str, str]]:
    """The few numbers a sortie is known by: name and value as text."""
    facts = [
        {"name": "recorded", "value": f"{row['duration_s'] / 60:.0f} min"},
        {"name": "stabilised points", "value": str(points)},
        {"name": "candidates refused", "value": str(row["refused"])},
        {"name": "events", "value": str(row["events"])},
        {"name": "doubts to look at", "value": str(row["doubts"] + row["faults"])},
    ]
    if card.get("take_off_mass_kg"):
        mass = shown(float(card["take_off_mass_kg"]), "mass", settings)
        facts.append({"name": "take-off mass, from the card", "value": f"{mass:.0f} {display_unit('mass', settings)}"})
    return facts


def _point_row(p: dict[str, Any], held: list[tuple[str, str]]) -> dict[str, Any]:
    found = [p["statistics"].get(channel) for channel, _ in held]
    cells = ["–" if one is None else with_band(one["mean"], whole_band(one), one["unit"]) for one in found]
    return {
        **_interval(p),
        "number": p["number"],
        "propulsion": p["propulsion"],
        "cells": cells,
        "score": number(p["score"], None),
        "rows": rows_text(p["rows"]),
    }


def _interval(p: dict[str, Any]) -> dict[str, Any]:
    return {
        "start": epoch_of(p["start_utc"]),
        "stop": epoch_of(p["end_utc"]),
        "start_text": clock_time(p["start_utc"]),
        "duration": number(p["duration_s"], "s"),
        "kind": p["kind"],
        "gear": p["gear"],
        "flap": p["flap"],
    }


def _refused_row(p: dict[str, Any]) -> dict[str, Any]:
    return {"number": p["number"], **_interval(p), "why": "; ".join(str(r["text"]) for r in p["reasons"])}


def _event_row(e: dict[str, Any]) -> dict[str, Any]:
    return {
        "start": epoch_of(e["time_utc"]) - 5,
        "stop": epoch_of(e["end_utc"]) + 5,
        "time_text": clock_time(e["time_utc"]),
        "kind": e["kind"].replace("_", " "),
        "before": side_text(e["before"], e["unit"]),
        "after": side_text(e["after"], e["unit"]),
        "takes": number(e["duration_s"], "s"),
        "uncertainty": number(e["uncertainty_s"], "s"),
        "confidence": f"{e['confidence']:.2f}",
        "channel": e["channel"],
    }


def _manoeuvre_row(m: dict[str, Any]) -> dict[str, Any]:
    return {
        "start": epoch_of(m["start_utc"]),
        "stop": epoch_of(m["end_utc"]),
        "start_text": clock_time(m["start_utc"]),
        "duration": number(m["duration_s"], "s"),
        "kind": m["kind"].replace("_", " "),
        "confidence": f"{m['confidence']:.2f}",
        "channels": ", ".join(m["channels"]),
        "text": manoeuvre_text(m["kind"], m["facts"]),
    }


def _finding_row(f: dict[Any, Any]) -> dict[str, Any]:
    return {
        "level": f["level"],
        "code": f["code"],
        "where": f["place"] if isinstance(f["place"], str) and f["place"] else "–",
        "count": f["times"],
        "text": f["text"],
    }


def _source_row(s: dict[Any, Any]) -> dict[str, Any]:
    clock = clock_text(s["clock_basis"], s["offset_s"], s["offset_uncertainty_s"]) if s["rows_out"] else "–"
    if s["drift_ppm"]:  # zero stands for a drift that is not resolved
        clock += f", drift {s['drift_ppm']:+.0f} ± {2 * s['drift_uncertainty_ppm']:.0f} ppm"
    return {
        "file": s["file"],
        "adapter": f"{s['adapter']} {s['adapter_version']}",
        "rows_in": s["rows_in"],
        "rows_out": s["rows_out"],
        "clock": clock,
        "sha256": s["sha256"],
    }
