"""Asking a condition over all sorties: typed or put together, answered with a table, pictures and files."""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.errors import ConditionError, TrimshotError
from ...store.condition import parse_condition
from ...store.connection import connect_memory
from ...store.saved import SavedCondition, forget_condition, save_condition
from ..grid import grid_of_records
from ..output import about_lines, grid_bytes
from ..records import frame_records
from .ask_view import ask_context, builder_context, read_question, saved_context, seconds_of
from .rendering import json_response, respond, wants_json
from .requests import form_of, programme_of

FORMS = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def show_ask(request: Request) -> Response:
    """GET /ask?condition=...&at_least=10s&join=2s&sortie=...: the answer, or the empty form."""
    programme = programme_of(request)
    question = read_question(request)
    context: dict[str, Any] = {
        **question, "builder": builder_context(programme), "saved": saved_context(programme), "answer": None, "error": None,
    }  # fmt: skip
    status = 200
    if question["condition"]:
        try:
            context["answer"] = ask_context(programme, request.app.state.histories, question)
        except ConditionError as error:
            context["error"], status = error.text(), 400
        if wants_json(request):
            del context["builder"]
    return respond(request, "ask.html", context, status=status)


def send_file(request: Request) -> Response:
    """GET /ask/FORM?condition=...: the stretches as csv, parquet or xlsx, the unit in every head."""
    form = request.path_params["form"]
    if form not in FORMS:
        raise ConditionError("no such form", found=repr(form), allowed=", ".join(FORMS))
    programme, question = programme_of(request), read_question(request)
    found = programme.find(
        question["condition"], question["at_least_s"], join_s=question["join_s"], sortie=question["sortie"]
    )
    records = frame_records(found.frame, programme.settings)
    facts = {"condition": found.condition_sql, "considered": list(found.considered), "left out": dict(found.left_out)}
    content = grid_bytes(grid_of_records(records), form, about_lines(question["condition"], facts))
    headers = {"Content-Disposition": f'attachment; filename="stretches.{form}"'}
    return Response(content, media_type=FORMS[form], headers=headers)


def check_condition(request: Request) -> Response:
    """GET /ask/check?condition=...: whether a condition can be asked, and how it is understood."""
    connection = connect_memory("256MB")
    try:
        condition = parse_condition(connection, programme_of(request).condition(read_question(request)["condition"]))
        return json_response({"ok": True, "sql": condition.sql, "channels": condition.channels})
    except TrimshotError as error:
        return json_response({"ok": False, "error": error.text()})
    finally:
        connection.close()


async def save(request: Request) -> Response:
    """POST /ask/saved: keep a condition under a name; fields name, condition, at_least, join, note."""
    programme, form = programme_of(request), await form_of(request)

    def keep() -> None:
        lengths = {key: f"{seconds_of(form.get(key, '')):g} s" for key in ("at_least", "join")}
        words = {"condition": form.get("condition", "").strip(), "note": form.get("note", "").strip()}
        if not words["condition"]:
            raise ConditionError("there is no condition to keep")
        save_condition(
            programme.folder, form.get("name", "").strip(), SavedCondition.model_validate({**words, **lengths})
        )

    await run_in_threadpool(keep)
    return json_response({"name": form.get("name", "").strip()}, status=201)


def forget(request: Request) -> Response:
    """DELETE /ask/saved/NAME."""
    name = request.path_params["name"]
    forget_condition(programme_of(request).folder, name)
    return json_response({"forgotten": name})


ROUTES = [
    Route("/ask", show_ask),
    Route("/ask/check", check_condition),
    Route("/ask/file.{form}", send_file),
    Route("/ask/saved", save, methods=["POST"]),
    Route("/ask/saved/{name}", forget, methods=["DELETE"]),
]
