"""Results: every reduction there is, each on its own page with its pictures, bands and the points behind them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.errors import ConditionError
from ...store.places import CATALOG, MARKS, SETTINGS
from ..commands.print import DOCUMENTS, context_of_document
from ..commands.reduce import read_options
from ..documents.press import press
from ..reductions.charts import draw
from ..reductions.evidence import gather_evidence
from ..reductions.page import svg_element
from ..reductions.present import context_of
from ..reductions.registry import REDUCTIONS, find_reduction
from .rendering import path_of, respond, wants_json
from .requests import programme_of, word_in

if TYPE_CHECKING:
    from ...store.programme import Programme

_KEPT = 40  # results, by what was asked and the state of the programme
_CONFIGURATION = ("gear", "flap", "power", "propulsion")
_NOT_OPTIONS = {*_CONFIGURATION, "format", "sorties", "aircraft", "judged"}
_STYLE = re.compile(r' style="([^"]*)"')


def show_results(request: Request) -> Response:
    """GET /results: what there is to ask for."""
    listed = [{"name": one.name, "title": one.title, "question": one.question} for one in REDUCTIONS]
    aircraft = sorted({str(name) for name in programme_of(request).sorties()["aircraft"].dropna()})
    return respond(request, "results.html", {"reductions": listed, "aircraft": aircraft})


def show_result(request: Request) -> Response:
    """GET /results/NAME?gear=down&aircraft=...&judged=1&OPTION=VALUE: one reduction over the programme."""
    programme, kept = programme_of(request), request.app.state.results
    key = (request.url.path, str(request.query_params), *_stamp(programme))
    context = kept.get(key)
    if context is None:
        context = _reduce(request)
        kept[key] = context
        while len(kept) > _KEPT:
            del kept[next(iter(kept))]
    if wants_json(request):
        return respond(request, "result.html", {name: value for name, value in context.items() if name != "pictures"})
    return respond(request, "result.html", context)


def _stamp(programme: Programme) -> tuple[int, ...]:
    """Changes when anything does that a result depends on."""
    files = [programme.folder / name for name in (CATALOG, SETTINGS, MARKS)]
    return tuple(file.stat().st_mtime_ns if file.exists() else 0 for file in files)


def _reduce(request: Request) -> dict[str, Any]:
    """The sheet in display units, its pictures drawn, and what the form above it shows."""
    programme, reduction = programme_of(request), find_reduction(request.path_params["name"])
    given = [
        f"{key}={value}" for key, value in request.query_params.items() if key not in _NOT_OPTIONS and value.strip()
    ]
    config = {key: word for key in _CONFIGURATION if (word := word_in(request, key))}
    names = sorted({str(name) for name in programme.sorties()["aircraft"].dropna()})
    aircraft = word_in(request, "aircraft")
    if aircraft is None and programme.settings.aircraft.name is None and len(names) > 1:
        aircraft = names[
            0
        ]  # numbers of two airframes are never pooled; the page says which is shown and offers the others
    judged = word_in(request, "judged") is not None
    evidence = gather_evidence(
        programme, config=config, aircraft=aircraft, options=read_options(reduction, tuple(given)), judged=judged
    )
    sheet = context_of(reduction.run(evidence), programme.settings)
    return {
        **sheet,
        "question": reduction.question,
        "aircraft": evidence.aircraft,
        "aircraft_names": names,
        "judged": judged,
        "marks": len(programme.marks()),
        "options": [
            {"name": one.name, "meaning": one.meaning, "value": request.query_params.get(one.name, "")}
            for one in reduction.options
        ],
        "config": {key: config.get(key, "") for key in _CONFIGURATION},
        "pictures": [_picture(one) for one in sheet["figures"]],
    }


def _picture(figure: dict[str, Any]) -> Markup:
    """A figure as an element of the page: its styles as attributes, because the page's policy allows no inline style."""
    link = path_of("sortie", "{sortie}", "points", "{number}").replace("%7B", "{").replace("%7D", "}")
    drawing = svg_element(draw(figure, link=link))
    drawing = re.sub(r"<!--.*?-->", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r"<style.*?</style>", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r"<metadata>.*?</metadata>", "", drawing, flags=re.DOTALL)
    return Markup(_STYLE.sub(_attributes, drawing))


def _attributes(match: re.Match[str]) -> str:
    pairs = [part.split(":", 1) for part in match[1].split(";") if ":" in part]
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)


def send_document(request: Request) -> Response:
    """GET /print/DOCUMENT.pdf?sortie=...&aircraft=...: a document to take away."""
    document, sortie = request.path_params["document"], word_in(request, "sortie")
    if document not in DOCUMENTS or (document == "debrief") != (sortie is not None):
        raise ConditionError("no such document", found=repr(document), allowed=", ".join(DOCUMENTS))
    context = context_of_document(programme_of(request), document, sortie=sortie, aircraft=word_in(request, "aircraft"))
    name = f"{document}-{sortie}" if sortie else document
    headers = {"Content-Disposition": f'attachment; filename="{name}.pdf"'}
    return Response(press(document, context), media_type="application/pdf", headers=headers)


ROUTES = [
    Route("/results", show_results),
    Route("/results/{name}", show_result),
    Route("/print/{document}.pdf", send_document),
]
