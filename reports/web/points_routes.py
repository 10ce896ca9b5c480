"""Points of all sorties, chosen by configuration, kind and airspeed: what a cell of the coverage matrix leads to."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.units import to_si
from ...store.overview import list_found, list_words
from ..display import display_unit, number, shown, shown_difference, with_band
from ..grid import grid_of_records
from ..listing import second_text, utc_text
from ..output import about_lines, grid_bytes
from ..point_bands import bands_note, type_b_of
from .ask_routes import FORMS
from .rendering import respond
from .requests import number_in, programme_of, word_in

if TYPE_CHECKING:
    import pandas as pd

    from ...shared.settings import Settings
    from ...store.programme import Programme

_KEYS = ("gear", "flap", "power", "propulsion")
_SHOWN = 500
# channel, head
_COLUMNS = (
    ("calibrated_airspeed", "calibrated airspeed"),
    ("pressure_altitude", "pressure altitude"),
    ("sink_rate", "sink"),
    ("engine_speed", "engine speed"),
    ("static_air_temperature", "air temperature"),
    ("mass", "mass"),
)


def show_points(request: Request) -> Response:
    """GET /points?gear=down&kind=glide&from=80&to=90: airspeeds in the unit shown."""
    programme = programme_of(request)
    with programme.reading():
        chosen = chosen_points(programme, request)
        marks = len(programme.marks())
        choices = _choices(programme)
    settings = programme.settings
    unit = settings.display_unit("speed")
    asked = {key: word_in(request, key) or "" for key in ("aircraft", *_KEYS, "kind", "from", "to")}
    context = {
        "asked": asked,
        "choices": {key: some if asked[key] in ("", *some) else [*some, asked[key]] for key, some in choices.items()},
        "unit": unit,
        "count": len(chosen),
        "sorties": int(chosen["sortie"].nunique()),
        "marks": marks,
        "columns": [{"head": head, "unit": display_unit(name, settings)} for name, head in _COLUMNS],
        "bands": bands_note(settings),
        "points": [_row(row, settings) for row in chosen.head(_SHOWN).to_dict("records")],
    }
    return respond(request, "points.html", context)


def _choices(programme: Programme) -> dict[str, list[str]]:
    """Per field of the form the words there are."""
    words = list_words(programme.folder)
    aircraft = sorted({str(name) for name in programme.sorties()["aircraft"].dropna() if str(name)})
    kinds = list_found(programme.folder).get("points", [])
    return {
        **({"aircraft": aircraft} if len(aircraft) > 1 else {}),
        **{key: words.get(key, []) for key in _KEYS},
        "kind": kinds,
    }


def send_points(request: Request) -> Response:
    """GET /points/file.FORM: the same points as a file, all of them."""
    form = request.path_params["form"]
    programme = programme_of(request)
    chosen = chosen_points(programme, request)
    records = [_record(row, programme.settings) for row in chosen.to_dict("records")]
    about = about_lines("points", {key: value for key, value in request.query_params.items() if value})
    content = grid_bytes(grid_of_records(records), form if form in FORMS else "csv", about)
    headers = {"Content-Disposition": f'attachment; filename="points.{form if form in FORMS else "csv"}"'}
    return Response(content, media_type=FORMS.get(form, FORMS["csv"]), headers=headers)


def chosen_points(programme: Programme, request: Request) -> pd.DataFrame:
    """The judged points that fit the request. Raises ConditionError for an airspeed that is no number."""
    config = {key: word for key in _KEYS if (word := word_in(request, key))}
    points = programme.judged_points(config=config)
    if aircraft := word_in(request, "aircraft"):
        listed = programme.sorties()
        points = points[points["sortie"].isin(listed.loc[listed["aircraft"] == aircraft, "sortie"])]
    if kind := word_in(request, "kind"):
        points = points[points["kind"] == kind]
    unit = programme.settings.display_unit("speed")
    low, high = number_in(request, "from", float("-inf")), number_in(request, "to", float("inf"))
    if low > float("-inf"):
        points = points[points["calibrated_airspeed"] >= to_si(low, unit) - 1e-9]
    if high < float("inf"):
        points = points[points["calibrated_airspeed"] < to_si(high, unit) - 1e-9]
    return points


def _row(row: dict[Any, Any], settings: Settings) -> dict[str, Any]:
    type_b = _type_b(row, settings)
    cells = []
    for name, _ in _COLUMNS:
        band = 2 * float(shown_difference(hypot(float(row[f"{name}_error"]), type_b.get(name, 0.0)), name, settings))
        cells.append(with_band(float(shown(float(row[name]), name, settings)), band, display_unit(name, settings)))
    return {
        "sortie": row["sortie"],
        "number": int(row["number"]),
        "start": second_text(utc_text(row["start_utc"])),
        "duration": number(float(row["duration_s"]), "s"),
        **{key: row[key] for key in ("kind", "gear", "flap", "propulsion")},
        "cells": cells,
        "said": row["judgement"] if isinstance(row["judgement"], str) else None,
    }


def _type_b(row: dict[Any, Any], settings: Settings) -> dict[str, float]:
    return type_b_of({name: float(row[name]) for name, _ in _COLUMNS}, settings)


def _record(row: dict[Any, Any], settings: Settings) -> dict[str, Any]:
    record: dict[str, Any] = {
        "sortie": row["sortie"],
        "number": int(row["number"]),
        "start_utc": utc_text(row["start_utc"]),
        "end_utc": utc_text(row["stop_utc"]),
        "duration_s": float(row["duration_s"]),
        **{key: row[key] for key in ("kind", *_KEYS)},
        "judgement": row["judgement"] if isinstance(row["judgement"], str) else None,
    }
    type_b = _type_b(row, settings)
    for name, _ in _COLUMNS:
        unit = display_unit(name, settings)
        record[name] = float(shown(float(row[name]), name, settings))
        record[f"{name}_error"] = float(shown_difference(float(row[f"{name}_error"]), name, settings))
        record[f"{name}_unit"] = record[f"{name}_error_unit"] = unit
        if name in type_b:
            record[f"{name}_type_b"] = float(shown_difference(type_b[name], name, settings))
            record[f"{name}_type_b_unit"] = unit
    return record


ROUTES = [Route("/points", show_points), Route("/points/file.{form}", send_points)]
