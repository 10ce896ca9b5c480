"""Asking a condition over all sorties: typed or put together, answered with a table, pictures and files."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.errors import ChannelError, ConditionError, TrimshotError, UnknownSortieError
from ...store.condition import parse_condition
from ...store.connection import connect_memory
from ...store.saved import SavedCondition, forget_condition, save_condition
from ...store.written_units import bare_number_note
from ..grid import grid_of_records
from ..output import about_lines, grid_bytes
from ..records import frame_records
from ..stretch_bands import IN_FULL, add_bands
from .ask_view import ask_context, builder_context, find_stretches, saved_context
from .asking import Words, read_words, understand
from .rendering import json_response, respond, text_for_page, wants_json
from .requests import form_of, programme_of

FORMS = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def show_ask(request: Request) -> Response:
    """GET /ask?condition=...&at_least=10s&join=2s&sortie=...&within=points&side=after&event=gear_down&span=30s: the
    answer, or the empty form. What cannot be understood is told above the form, which keeps all that was typed."""
    programme = programme_of(request)
    words, error = Words(), None
    answer: dict[str, Any] | None = None
    try:
        words = read_words(request)
        question = understand(words)
        if question.condition:
            answer = ask_context(programme, request.app.state.histories, question)
    except (ConditionError, ChannelError, UnknownSortieError) as wrong:
        error = text_for_page(wrong)
    context: dict[str, Any] = {
        "query": words.query, "saved": saved_context(programme), "answer": answer, "error": error,
    }  # fmt: skip
    if not (wants_json(request) and words.condition):
        context["builder"] = builder_context(programme)
    return respond(request, "ask.html", {**context, **_plain(words)}, status=400 if error else 200)


def _plain(words: Words) -> dict[str, Any]:
    near = [{"side": side, "event": kind, "span": span} for side, kind, span in words.near]
    return {"words": {**asdict(words), "near": near}}


def send_file(request: Request) -> Response:
    """GET /ask/FORM?condition=...: the stretches as csv, parquet or xlsx, the unit in every head."""
    form = request.path_params["form"]
    if form not in FORMS:
        raise ConditionError("no such form", found=repr(form), allowed=", ".join(FORMS))
    programme, words = programme_of(request), read_words(request)
    found = find_stretches(programme, understand(words))
    records = frame_records(found.frame, programme.settings)
    add_bands(records, programme.folder, found, programme.settings, most_values=IN_FULL)
    narrowed = [*(f"within {one}" for one in words.within), *(" ".join(one) for one in words.near)]
    facts = {
        "condition": found.condition_sql,
        **({"narrowed": ", ".join(narrowed)} if narrowed else {}),
        "considered": list(found.considered),
        "left out": dict(found.left_out),
    }
    content = grid_bytes(grid_of_records(records), form, about_lines(words.condition, facts))
    headers = {"Content-Disposition": f'attachment; filename="stretches.{form}"'}
    return Response(content, media_type=FORMS[form], headers=headers)


def check_condition(request: Request) -> Response:
    """GET /ask/check?condition=...: whether a condition can be asked, and how it is understood."""
    connection = connect_memory("256MB")
    try:
        condition = parse_condition(connection, programme_of(request).condition(read_words(request).condition))
        notes = [note for one in condition.bare if (note := bare_number_note(*one))]
        return json_response({"ok": True, "sql": condition.sql, "channels": condition.channels, "notes": notes})
    except TrimshotError as error:
        return json_response({"ok": False, "error": text_for_page(error)})
    finally:
        connection.close()


async def save(request: Request) -> Response:
    """POST /ask/saved?QUESTION: keep the question of the query under a name; fields name, note."""
    programme, words, form = programme_of(request), read_words(request), await form_of(request)
    name = form.get("name", "").strip()

    def keep() -> None:
        question = understand(words)
        if not question.condition:
            raise ConditionError("there is no condition to keep")
        narrowed = question.narrowed
        lengths = {"at_least": f"{question.at_least_s or 0:g} s", "join": f"{question.join_s or 0:g} s"}
        spans = {side: {kind: f"{span:g} s" for kind, span in getattr(narrowed, side)} for side in ("after", "before")}
        told = {"condition": question.condition, "within": list(narrowed.within), "note": form.get("note", "").strip()}
        save_condition(programme.folder, name, SavedCondition.model_validate({**told, **lengths, **spans}))

    await run_in_threadpool(keep)
    return json_response({"name": name}, status=201)


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
