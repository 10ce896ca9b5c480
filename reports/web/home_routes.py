"""The programme's own page: its sorties, and what it has points for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.units import from_si, to_si
from ...store.marks import marks_in_force
from ..listing import minute_text, utc_text
from .jobs import Report
from .rendering import json_response, respond, text_for_page
from .requests import programme_of, word_in

if TYPE_CHECKING:
    import pandas as pd

    from ...store.programme import Programme

_CLASS_WIDTH = {"kt": 10.0, "mph": 10.0, "km/h": 20.0, "m/s": 5.0}
_UNKNOWN_LAST = "~"


def show_home(request: Request) -> Response:
    """GET /?aircraft=...: sorties and coverage."""
    programme = programme_of(request)
    with programme.reading():
        context = home_context(programme, word_in(request, "aircraft"))
    return respond(request, "home.html", context)


def home_context(programme: Programme, aircraft: str | None = None) -> dict[str, Any]:
    """Sorties newest first with their counts, the coverage matrix, totals; of one aircraft or all."""
    every = programme.sorties()
    listed = every if aircraft is None else every[every["aircraft"] == aircraft]
    sorties = [_sortie(row) for row in listed.iloc[::-1].to_dict("records")]
    return {
        "folder": programme.folder.name,
        "aircraft": aircraft,
        "aircraft_names": sorted({str(name) for name in every["aircraft"].dropna() if str(name)}),
        "sorties": sorties,
        "hours": float(listed["duration_s"].sum()) / 3600,
        "points": int(listed["points"].sum()),
        "refused": int(listed["refused"].sum()),
        "events": int(listed["events"].sum()),
        "questions": len(programme.questions()),
        "outdated": int((~every["settings_current"].astype(bool)).sum()) if len(every) else 0,
        "marks": len(marks_in_force(programme.marks())),
        "coverage": coverage_context(programme, aircraft),
    }


def _sortie(row: dict[Any, Any]) -> dict[str, Any]:
    return {
        "sortie": row["sortie"],
        "start_utc": utc_text(row["start_utc"]),
        "start_text": minute_text(utc_text(row["start_utc"])),
        "minutes": round(float(row["duration_s"]) / 60),
        "aircraft": row["aircraft"] if isinstance(row["aircraft"], str) and row["aircraft"] else "–",
        "points": int(row["points"]),
        "refused": int(row["refused"]),
        "events": int(row["events"]),
        "doubts": int(row["doubts"]),
        "faults": int(row["faults"]),
        "current": bool(row["settings_current"]),
    }


def coverage_context(programme: Programme, aircraft: str | None = None) -> dict[str, Any]:
    """Rows: configurations; columns: classes of calibrated airspeed; cells: points and sorties."""
    settings = programme.settings
    unit = settings.display_unit("speed")
    width = _CLASS_WIDTH.get(unit, 10.0)
    found = programme.coverage(to_si(width, unit), aircraft)
    edges = _edges(found, unit, width)
    rows: list[dict[str, Any]] = []
    for (gear, flap, propulsion), some in found.groupby(["gear", "flap", "propulsion"], sort=False):
        cells = [_cell(some[_edge_of(some, unit, width) == edge]) for edge in edges]
        unplaced = some[some["lower_edge"].isna()]
        rows.append(
            {
                "gear": str(gear),
                "flap": str(flap),
                "propulsion": str(propulsion),
                "cells": cells,
                "without_airspeed": int(unplaced["points"].sum()),
                "points": int(some["points"].sum()),
            }
        )
    rows.sort(key=lambda row: tuple(_UNKNOWN_LAST if row[key] == "unknown" else row[key] for key in ("gear", "flap", "propulsion")))  # fmt: skip
    most = max((cell["points"] for row in rows for cell in row["cells"]), default=0)
    for row in rows:
        for cell in row["cells"]:
            cell["shade"] = math.ceil(4 * cell["points"] / most) if cell["points"] else 0
    return {"unit": unit, "width": width, "edges": edges, "rows": rows}


def _edge_of(frame: pd.DataFrame, unit: str, width: float) -> pd.Series[float]:
    """The class's lower edge in display units, free of the last bits of the conversion."""
    edges: pd.Series[float] = (frame["lower_edge"].map(lambda value: from_si(value, unit)) / width).round() * width
    return edges


def _edges(found: pd.DataFrame, unit: str, width: float) -> list[float]:
    known = _edge_of(found[found["lower_edge"].notna()], unit, width)
    if not len(known):
        return []
    count = round((known.max() - known.min()) / width) + 1
    return [float(known.min() + width * k) for k in range(min(count, 60))]


def _cell(some: pd.DataFrame) -> dict[str, Any]:
    kinds = some.groupby("kind")["points"].sum()
    return {
        "points": int(some["points"].sum()),
        "kinds": ", ".join(f"{count} {kind}" for kind, count in kinds.items()),
    }


def find_anew(request: Request) -> Response:
    """POST /rebuild: read every sortie's kept files again and find anew, with the settings and version of now; a job."""
    programme = programme_of(request)

    def work(report: Report) -> dict[str, Any]:
        done = programme.rebuild(report)
        failed = [one for one in done.sorties if one.status == "failed"]
        wrong = [{"sortie": one.sortie, "error": text_for_page(one.error) if one.error else ""} for one in failed]
        return {"sorties": len(done.sorties), "failed": wrong}

    return json_response(request.app.state.jobs.start("finding anew", work).record(), status=202)


ROUTES = [Route("/", show_home, name="home"), Route("/rebuild", find_anew, methods=["POST"])]
