"""Results: every reduction there is, each on its own page with its pictures, bands and the points behind them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.errors import ConditionError
from ...store.places import CATALOG, MARKS, SETTINGS
from ..commands.print import DOCUMENTS, context_of_document
from ..documents.press import press
from ..reductions.registry import REDUCTIONS
from .rendering import respond, wants_json
from .requests import programme_of, word_in
from .result_view import result_context

if TYPE_CHECKING:
    from ...store.programme import Programme

_KEPT = 40  # results, by what was asked and the state of the programme


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
        context = result_context(request)
        if context["sheet"] is None:
            return respond(request, "result.html", context, status=400)
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
