"""Pages of one sortie: its picture, samples for it, a point with everything behind it, judgements."""

from __future__ import annotations

import datetime as dt
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ...shared.errors import ConditionError
from ...store.judgement import list_unattached, take_back
from ...store.marks import taken_back
from ..commands.mark import mark_record
from ..page_tables import tables_of
from .histories import bytes_of_window, text_of, window_of
from .point_view import point_context
from .rendering import path_of, respond, templates, wants_json
from .requests import form_of, number_in, programme_of, word_in
from .sortie_view import sortie_context

_MOST_CHANNELS = 60
_PICTURE = ("sortie", "start", "length", "channels", "points", "events", "lanes", "track")


def show_sortie(request: Request) -> Response:
    """GET /sortie/NAME: the picture; its tables follow from their own address, so that the picture is there first."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    with programme.reading():
        context = sortie_context(programme, sortie, request.app.state.histories)
    if wants_json(request):
        return respond(request, "sortie.html", context)
    picture = {key: context[key] for key in _PICTURE}
    return respond(
        request, "sortie.html", {**context, "picture": picture, "already": word_in(request, "already") is not None}
    )


def show_tables(request: Request) -> Response:
    """GET /sortie/NAME/tables: points, refused candidates, events, manoeuvres, findings, files; `?part=1`: those alone."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    with programme.reading():
        programme.card(sortie)  # says which sorties there are when there is no such one
        tables = tables_of(programme, sortie)
    start = dt.datetime.fromisoformat(tables.pop("start_utc")).timestamp()
    context = {"sortie": sortie, "start": start, "t": tables}
    if word_in(request, "part"):
        return Response(templates().get_template("web/tables_body.html").render(**context), media_type="text/html")
    return respond(request, "tables.html", context)


def send_samples(request: Request) -> Response:
    """GET /sortie/NAME/samples?channels=a,b&from=0&to=600&buckets=900: times in seconds since the sortie's start;
    `form=binary`: as histories.bytes_of_window packs them."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    channels = [name for name in (word_in(request, "channels") or "").split(",") if name]
    if not 0 < len(channels) <= _MOST_CHANNELS:
        raise ConditionError("channels to draw", found=str(len(channels)), allowed=f"1 to {_MOST_CHANNELS}")
    held = request.app.state.histories.hold(programme, sortie, channels)
    span = (number_in(request, "from", float(held.time_s[0])), number_in(request, "to", float(held.time_s[-1])))
    buckets = int(number_in(request, "buckets", 900))
    if word_in(request, "form") == "binary":
        content = bytes_of_window(held, channels, programme.settings, span=span, buckets=buckets)
        return Response(content, media_type="application/octet-stream")
    window = window_of(held, channels, programme.settings, span=span, buckets=buckets)
    return Response(text_of(window), media_type="application/json")


def show_point(request: Request) -> Response:
    """GET /sortie/NAME/points/NUMBER: statistics, reasons, the rows behind it; `?part=1` gives the inner part alone."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    with programme.reading():
        context = point_context(programme, sortie, request.path_params["number"])
    if word_in(request, "part"):
        return Response(templates().get_template("web/point_body.html").render(**context), media_type="text/html")
    return respond(request, "point.html", context)


async def judge(request: Request) -> Response:
    """POST /sortie/NAME/marks: a person's judgement; fields action, number, reason, by, start, stop (UTC);
    withdraw with `mark`: that one judgement is taken back."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    form = await form_of(request)

    def keep() -> str:
        action, number = form.get("action", ""), form.get("number", "")
        said = (form.get("reason", ""), form.get("by", ""))
        if action == "withdraw" and form.get("mark"):
            return take_back(programme.folder, sortie, form["mark"], said).id
        mark = programme.judge(
            sortie,
            action,
            number=int(number) if number.isdigit() else None,
            stretch=_stretch(form) if action in ("add", "move") else None,
            words=said,
        )
        return mark.id

    made = await run_in_threadpool(keep)
    if wants_json(request):
        return respond(request, "", {"id": made})
    back = path_of("sortie", sortie, "marks") if form.get("mark") else path_of("sortie", sortie) + "?judged=" + made
    return RedirectResponse(back, status_code=303)


def _stretch(form: dict[str, str]) -> tuple[dt.datetime, dt.datetime]:
    try:
        times = [dt.datetime.fromisoformat(form.get(name, "").strip()) for name in ("start", "stop")]
    except ValueError:
        raise ConditionError("not a time", allowed="2031-03-14T10:12:30Z") from None
    aware = [one if one.tzinfo else one.replace(tzinfo=dt.UTC) for one in times]
    return aware[0], aware[1]


def show_marks(request: Request) -> Response:
    """GET /sortie/NAME/marks: every judgement on the sortie; `waits`: it belongs to no stretch that is found now;
    `taken_back`: the judgement that took it back."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    programme.card(sortie)
    waiting = {mark.id for mark in list_unattached(programme.folder, sortie)}
    said = programme.marks(sortie)
    taken = taken_back(said)
    marks = [
        {
            **mark_record(one),
            "waits": one.id in waiting,
            "taken_back": mark_record(taken[one.id]) if one.id in taken else None,
        }
        for one in said
    ]
    context: dict[str, Any] = {"sortie": sortie, "marks": marks}
    return respond(request, "marks.html", context)


ROUTES = [
    Route("/sortie/{sortie}", show_sortie),
    Route("/sortie/{sortie}/tables", show_tables),
    Route("/sortie/{sortie}/samples", send_samples),
    Route("/sortie/{sortie}/points/{number:int}", show_point),
    Route("/sortie/{sortie}/marks", show_marks, methods=["GET"]),
    Route("/sortie/{sortie}/marks", judge, methods=["POST"]),
]
