"""The debrief: one page that retells a sortie: planned, flown, found, missed, limits, anomalies, surprises."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from ...shared.errors import SettingsError, unknown_sortie
from ..display import display_unit, number, shown, shown_difference, with_band
from ..listing import clock_time
from ..page_tables import facts_of, headline_of
from ..point_bands import bands_note, whole_band
from ..records import event_records, records_of
from ..reductions.evidence import gather_evidence
from .planned import Planned, match_planned
from .strip import draw_strip
from .surprises import find_surprises

if TYPE_CHECKING:
    from ...store.programme import Programme

_MOST_POINTS, _MOST_FINDINGS, _MOST_LIMITS, _MOST_PLANNED = 34, 6, 5, 16


def debrief_context(programme: Programme, sortie: str) -> dict[str, Any]:
    """Everything on the page, display units. Raises UnknownSortieError."""
    listed = programme.sorties().set_index("sortie")
    if sortie not in listed.index:
        raise unknown_sortie(sortie, list(listed.index))
    row, card, settings = listed.loc[sortie], programme.card(sortie), programme.settings
    found = programme.points(sortie)
    records = records_of(found, programme, sortie)
    return {
        "title": sortie,
        "headline": headline_of(row, card),
        "facts": facts_of(row, card, len(found), settings),
        "notes": [str(note) for note in card.get("notes", ())],  # type: ignore[attr-defined]
        "strip": draw_strip(programme, sortie),
        "planned": _planned(programme, sortie, found, card),
        "points": [_point(one) for one in records[:_MOST_POINTS]],
        "more_points": max(0, len(records) - _MOST_POINTS),
        "bands": bands_note(settings),
        "units": {name: display_unit(name, settings) for name in ("calibrated_airspeed", "sink_rate", "engine_speed")},
        "events": _events(programme, sortie),
        "limits": _limits(programme, sortie),
        "anomalies": _anomalies(programme, sortie),
        "surprises": _surprises(programme, sortie),
    }


def _point(record: dict[str, Any]) -> dict[str, str]:
    statistics = record["statistics"]

    def told(channel: str) -> str:
        one = statistics.get(channel)
        return with_band(one["mean"], whole_band(one), one["unit"]) if one else "–"

    return {
        "number": str(record["number"]),
        "start": clock_time(record["start_utc"])[:8],
        "length": f"{record['duration_s']:.0f}",
        "kind": record["kind"],
        "state": f"gear {record['gear']}, flap {record['flap']}, {record['propulsion']}",
        "airspeed": told("calibrated_airspeed"),
        "sink": told("sink_rate"),
        "engine": told("engine_speed"),
    }


def _planned(programme: Programme, sortie: str, found: pd.DataFrame, card: Any) -> dict[str, Any]:
    wide = found
    statistics = programme.statistics(sortie)
    indicated = statistics[statistics["channel"] == "indicated_airspeed"].set_index("number")["mean"]
    if len(found):
        wide = found.assign(indicated_airspeed=found["number"].map(indicated))
    matched = match_planned(card, wide)
    rows = []
    for one in matched:
        met = "not found" if one.number is None else f"point {one.number}, {_off_text(one, programme)}"
        rows.append({"text": one.text, "met": met, "is_met": one.number is not None})
    flown = sum(one.number is not None for one in matched)
    return {"rows": rows[:_MOST_PLANNED], "more": max(0, len(rows) - _MOST_PLANNED), "met": flown, "of": len(matched)}


def _off_text(one: Planned, programme: Programme) -> str:
    if one.difference is None:
        return "speed not compared, it has no unit"
    off = shown_difference(one.difference, "indicated_airspeed", programme.settings)
    return f"{off:+.1f} {display_unit('indicated_airspeed', programme.settings)}"


def _events(programme: Programme, sortie: str) -> str:
    events = programme.events(sortie)
    counts = events["kind"].value_counts() if len(events) else pd.Series(dtype=int)
    told = [
        f"{count} {str(kind).replace('_', ' ')}"
        for kind, count in counts.items()
        if not str(kind).startswith("exceeded")
    ]
    return ", ".join(sorted(told, key=lambda text: text.split(" ", 1)[1])) or "none"


def _limits(programme: Programme, sortie: str) -> dict[str, Any]:
    records = event_records(programme, sortie, "exceeded")
    rows = []
    for one in records[:_MOST_LIMITS]:
        peak = one["facts"].get("peak")
        channel = one["channel"]
        value = (
            number(shown(float(peak), channel, programme.settings), display_unit(channel, programme.settings))
            if peak
            else "–"
        )
        rows.append(
            f"{clock_time(one['time_utc'])[:8]} {one['kind'].replace('_', ' ')}: {channel.replace('_', ' ')} peak {value} "
            f"{display_unit(channel, programme.settings) or ''}, {one['duration_s']:.1f} s".strip()
        )
    return {"rows": rows, "count": len(records), "unset": _limits_not_looked_for(programme.findings(sortie))}


def _limits_not_looked_for(findings: pd.DataFrame) -> list[str]:
    """The findings that say which limits were not looked for, names as words."""
    if not len(findings):
        return []
    told = findings[(findings["code"] == "NOT_ATTEMPTED") & findings["text"].str.startswith("limits ", na=False)]
    return [_capital(str(text).replace("aircraft.", "").replace("_", " ")) + "." for text in told["text"].head(2)]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _anomalies(programme: Programme, sortie: str) -> list[str]:
    findings = programme.findings(sortie)
    if not len(findings):
        return []
    real = findings[findings["level"].isin(["fault", "doubt"])]
    told = [f"{row['level']}: {row['text']}" for row in real.head(_MOST_FINDINGS).to_dict("records")]
    if len(real) > _MOST_FINDINGS:
        told.append(f"and {len(real) - _MOST_FINDINGS} more, under Findings of the sortie's page")
    return told


def _surprises(programme: Programme, sortie: str) -> list[str]:
    aircraft = programme.sorties().set_index("sortie").loc[sortie, "aircraft"]
    try:
        evidence = gather_evidence(programme, aircraft=aircraft or None, options={"after": sortie})
    except SettingsError:
        evidence = gather_evidence(programme, sorties=[sortie], aircraft=aircraft or None, options={"after": sortie})
    return find_surprises(evidence, sortie)
