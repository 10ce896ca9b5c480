"""A condition's answer for the page: counts, reasons, the table, a picture of every stretch, their curves overlaid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ...shared.vocabulary import CHANNELS, STATES, meaning_of
from ...store.find import ALL
from ...store.narrowing import event_columns
from ...store.overview import list_holding, list_recorded, list_words
from ...store.saved import as_asked
from ..display import display_unit, number
from ..listing import clock_time, second_text, utc_text
from ..records import frame_records
from ..stretch_bands import NOTE, add_bands, mean_text
from .asking import SIDES, Question, narrowing_choices, words_of_saved
from .channel_groups import channel_choices, label_of
from .histories import Histories, window_of

if TYPE_CHECKING:
    from ...shared.settings import Settings
    from ...store.find import FindResult
    from ...store.narrowing import Narrowing
    from ...store.programme import Programme

_ROWS_SHOWN = 500
_PICTURES = 60
_CURVES = 24
_FIRST_CURVES = ("calibrated_airspeed", "indicated_airspeed", "pressure_altitude", "engine_speed", "sink_rate")
EXAMPLES = (
    ("gear down, going down faster than 500 ft/min", "gear = 'down' AND geometric_climb_rate < -500 fpm", "10s"),
    ("flaps full and the engine idling", "flap = 'full' AND power = 'idle'", "5s"),
    ("faster than 120 kt with the flaps out", "calibrated_airspeed > 120 kt AND flap <> 'up' AND flap <> 'unknown'", ""),
    ("turning steeper than 40 deg", "abs(bank) > 40 deg", "3s"),
)  # fmt: skip


def builder_context(programme: Programme) -> dict[str, Any]:
    """What the form offers: channels with the unit functions of their kind, states with the words found, sorties, examples."""
    settings = programme.settings
    with programme.reading():
        names = set(list_recorded(programme.folder)["channel"]) - set(STATES)
        words = list_words(programme.folder)
        sorties = list(programme.sorties()["sortie"])
        found = narrowing_choices(programme)
    events: list[dict[str, str]] = next((group["kinds"] for group in found if group["what"] == "events"), [])
    choices = channel_choices([n for n in names if not _is_word(n)], settings)
    return {
        "channels": [
            {**{key: one[key] for key in ("name", "label", "family", "what")}, "units": _units(one["name"], settings)}
            for one in choices
        ],
        "states": {name: words.get(name, []) for name in STATES},
        "sorties": sorties,
        "within": found,
        "events": events,
        "event_values": [kind["value"] for kind in events],
        "within_values": [value for group in found for value in _within_values(group)],
        "sides": SIDES,
        "examples": [{"text": text, "condition": condition, "at_least": least} for text, condition, least in EXAMPLES],
    }


def _within_values(group: dict[str, Any]) -> list[str]:
    return [group["what"], *(f"{group['what']}:{kind['value']}" for kind in group["kinds"])]


def saved_context(programme: Programme) -> list[dict[str, str]]:
    """Conditions kept under a name: name, condition, note, the query that asks it with all that narrows it."""
    return [
        {"name": name, "condition": one.condition, "note": one.note, "query": words_of_saved(one).query}
        for name, one in programme.saved().items()
    ]


def _is_word(name: str) -> bool:
    entry = meaning_of(name)
    return entry is not None and entry.is_text


def _units(name: str, settings: Settings) -> list[dict[str, str]]:
    """Unit functions that fit a channel, the one it is shown in first."""
    from ...shared.units import unit_of
    from ...store.units import UNIT_FUNCTIONS

    entry = meaning_of(name)
    if entry is None:
        return []
    kinds = {function: unit_of(symbol).kind for function, symbol in UNIT_FUNCTIONS.items()}
    fitting = [{"call": call, "unit": UNIT_FUNCTIONS[call]} for call, kind in kinds.items() if kind == entry.kind]
    shown = display_unit(name, settings)
    return sorted(fitting, key=lambda one: one["unit"] != shown)


def find_stretches(programme: Programme, question: Question) -> FindResult:
    """The stretches asked for. Raises ConditionError."""
    return programme.find(
        question.condition,
        question.at_least_s,
        join_s=question.join_s,
        sortie=question.sortie,
        narrowed=question.narrowed,
    )


def ask_context(programme: Programme, histories: Histories, question: Question) -> dict[str, Any]:
    """The answer. Raises ConditionError."""
    found = find_stretches(programme, question)
    settings = programme.settings
    records = frame_records(found.frame.head(_ROWS_SHOWN), settings)
    passed_over = add_bands(records, programme.folder, found, settings)
    units = found.frame.attrs.get("units", {})
    shown = [
        c for c in found.frame.columns if c in CHANNELS or (c in units and c not in ("duration_s", "start_s", "stop_s"))
    ]
    events = event_columns(understood_narrowing(programme, question))
    shown = [c for c in shown if c not in events]
    numeric = [c for c in shown if not _is_word(c)]
    curves = [c for c in dict.fromkeys((*numeric, *_FIRST_CURVES)) if not _is_word(c)][:6]
    stretches = found.frame.head(_ROWS_SHOWN).to_dict("records")
    held = list(dict.fromkeys(str(one["sortie"]) for one in stretches[:_PICTURES]))
    with programme.reading():
        drawn = _Drawn(programme, histories, settings, list_holding(programme.folder, held))
        overlaid = _curves(drawn, stretches[:_CURVES], curves, _event_of(events))
        leading = [one["name"] for one in overlaid["channels"][:1]]
        pictures = _pictures(drawn, stretches[:_PICTURES], leading[0]) if leading else []
    return {
        "sql": found.condition_sql,
        "count": len(found.frame),
        "total_s": float(found.frame["duration_s"].sum()),
        "shown": len(records),
        "sorties_found": int(found.frame["sortie"].nunique()),
        "considered": len(found.considered),
        "left_out": [{"sortie": name, "reason": reason} for name, reason in found.left_out.items()],
        "notes": list(found.notes),
        "bands": NOTE,
        "without_band": passed_over,
        "columns": [
            *({"name": name, "head": _event_head(name), "unit": "s"} for name in events),
            *({"name": name, "head": label_of(name), "unit": display_unit(name, settings)} for name in shown),
        ],
        "rows": [_row(record, stretch, (*events, *shown)) for record, stretch in zip(records, stretches, strict=True)],
        "curves": overlaid,
        "pictures": pictures,
    }


def understood_narrowing(programme: Programme, question: Question) -> Narrowing:
    """What narrows the answer: what was chosen, else what was kept with an '@name'."""
    return as_asked(programme.folder, question.condition, None, None).narrowing if question.narrowed == ALL else question.narrowed  # fmt: skip


def _event_head(column: str) -> str:
    """'after_gear_down_s' as a head."""
    return column.removesuffix("_s").replace("_", " ")


def _event_of(events: tuple[str, ...]) -> str | None:
    """The column of the event from which stretches can be overlaid: the first they come after."""
    return next((name for name in events if name.startswith("after_")), None)


def _row(record: dict[str, Any], stretch: dict[Any, Any], shown: Sequence[str]) -> dict[str, Any]:
    cells = []
    for name in shown:
        value, unit = record.get(name), record.get(f"{name}_unit")
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        cells.append(
            {"text": mean_text(record, name, unit) if is_number else str(value or "–"), "is_number": is_number}
        )
    return {
        "sortie": record["sortie"],
        "start": second_text(record["start_utc"]),
        "stop": clock_time(record["end_utc"]),
        "start_utc": record["start_utc"],
        "duration_s": record["duration_s"],
        "duration": number(record["duration_s"], "s"),
        "start_s": float(stretch["start_s"]),
        "stop_s": float(stretch["stop_s"]),
        "cells": cells,
    }


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What pictures are drawn from. recorded: sortie -> channels that have values in it."""

    programme: Programme
    histories: Histories
    settings: Settings
    recorded: Mapping[str, set[str]]


def _curves(drawn: _Drawn, stretches: list[dict[Any, Any]], channels: list[str], event: str | None) -> dict[str, Any]:
    """Samples of the first stretches from their common start - the event before it where one was asked for - for overlaying."""
    lines = []
    for stretch in stretches:
        begin = float(stretch["start_s"]) - (float(stretch[event]) if event else 0.0)
        span = (begin, float(stretch["stop_s"]))
        window = _window(drawn, str(stretch["sortie"]), channels, span, 150)
        lines.append(
            {
                "sortie": stretch["sortie"],
                "label": f"{stretch['sortie']} {clock_time(str(utc_text(stretch['start_utc'])))}",
                "t": [None if t != t else round(t - span[0], 2) for t in window["t"]],
                "channels": {name: _nulls(values) for name, values in window["channels"].items()},
            }
        )
    offered = [c for c in channels if any(c in line["channels"] for line in lines)]
    named = [{"name": c, "label": label_of(c), "unit": display_unit(c, drawn.settings)} for c in offered]
    origin = f"the event {_event_head(event).removeprefix('after ')}" if event else "the start of the stretch"
    return {"lines": lines, "channels": named, "origin": origin}


def _pictures(drawn: _Drawn, stretches: list[dict[Any, Any]], channel: str) -> list[dict[str, Any]]:
    """A small line of a channel per stretch, with a little before and after: points of an SVG polyline."""
    out = []
    for stretch in stretches:
        start, stop = float(stretch["start_s"]), float(stretch["stop_s"])
        margin = max(5.0, 0.25 * (stop - start))
        span = (start - margin, stop + margin)
        window = _window(drawn, str(stretch["sortie"]), [channel], span, 60)
        lines = _polylines(window, channel, span) if window["channels"] else []
        inside = [round(100 * (edge - span[0]) / (span[1] - span[0]), 1) for edge in (start, stop)]
        width = max(1.0, round(inside[1] - inside[0], 1))
        out.append(
            {"lines": lines, "from": inside[0], "width": width, "words": _range_words(window, channel, (start, stop))}
        )
    return out


def _range_words(window: dict[str, Any], channel: str, span: tuple[float, float]) -> str:
    """What a channel goes through in the stretch, for who listens."""
    pairs = zip(window["t"], window["channels"].get(channel, []), strict=False)
    known = [value for t, value in pairs if value == value and t == t and span[0] <= t <= span[1]]
    return f"{min(known):.4g} to {max(known):.4g}" if known else "no samples"


def _window(drawn: _Drawn, sortie: str, channels: list[str], span: tuple[float, float], buckets: int) -> dict[str, Any]:
    """The window with those of the channels that the sortie has."""
    names = [name for name in channels if name in drawn.recorded.get(sortie, ())]
    if not names:
        return {"t": [], "channels": {}}
    held = drawn.histories.hold(drawn.programme, sortie, names)
    return window_of(held, names, drawn.settings, span=span, buckets=buckets)


def _polylines(window: dict[str, Any], channel: str, span: tuple[float, float]) -> list[str]:
    """One 'x,y x,y ...' per unbroken piece, in a box of 100 by 24."""
    t, values = np.array(window["t"], float), np.array(window["channels"][channel], float)
    inside = (t >= span[0]) & (t <= span[1])
    t, values = t[inside], values[inside]
    known = np.isfinite(values)
    if not known.any():
        return []
    low, high = float(values[known].min()), float(values[known].max())
    x = 100 * (t - span[0]) / (span[1] - span[0])
    y = 22 - 20 * (values - low) / max(high - low, 1e-9)
    pieces, piece = [], []
    for a, b, good in zip(x, y, known, strict=True):
        if good:
            piece.append(f"{a:.1f},{b:.1f}")
        elif piece:
            pieces.append(" ".join(piece))
            piece = []
    return [*pieces, " ".join(piece)] if piece else pieces


def _nulls(values: list[float]) -> list[float | None]:
    return [None if value != value else value for value in values]
