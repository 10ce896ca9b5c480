"""Why to believe it: open questions, what became of every row of every file, the very lines, limits that were reached."""

from __future__ import annotations

import datetime as dt
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...store.sources import list_rows_of_every_file
from ..display import clock_text
from ..ledger import ledger_records, row_record
from ..listing import second_text, utc_text
from .answering import answer_context
from .jobs import Report
from .limits_view import limits_context
from .point_view import rows_behind
from .questions_view import questions_context
from .rendering import json_response, respond
from .requests import form_of, number_in, programme_of, word_in

_AROUND = 3


def show_questions(request: Request) -> Response:
    """GET /questions: what only a person can decide, answered in place."""
    return respond(request, "questions.html", questions_context(programme_of(request)))


async def answer(request: Request) -> Response:
    """POST /questions/ID: the answer in field `value`; reads the recorder's sorties anew, as a job."""
    programme, identity = programme_of(request), request.path_params["question"]
    value = (await form_of(request)).get("value", "").strip()

    def work(report: Report) -> dict[str, Any]:
        return answer_context(programme.answer(identity, value, on_progress=report))

    return json_response(request.app.state.jobs.start("answering", work).record(), status=202)


def show_ledgers(request: Request) -> Response:
    """GET /ledger: every file of every sortie in one line."""
    programme = programme_of(request)
    files = [
        {
            "sortie": row["sortie"],
            "file": row["file"],
            "adapter": f"{row['adapter']} {row['adapter_version']}",
            "rows_in": _whole(row["rows_in"]),
            "rows_out": _whole(row["rows_out"]),
            "rows_dropped": _whole(row["rows_dropped"]),
            "rows_repaired": _whole(row["rows_repaired"]),
            "clock": clock_text(row["clock_basis"], row["offset_s"], row["offset_uncertainty_s"]) if row["rows_out"] else "–",
            "sha256": row["sha256"],
        }
        for row in programme.ledger().to_dict("records")
    ]  # fmt: skip
    return respond(request, "ledgers.html", {"files": files})


def show_ledger(request: Request) -> Response:
    """GET /sortie/NAME/ledger: rows, decisions, units and clock of every file."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    with programme.reading():
        context = {"sortie": sortie, "files": ledger_records(programme, sortie, None)}
    return respond(request, "ledger.html", context)


def show_row(request: Request) -> Response:
    """GET /sortie/NAME/row?file=...&row=17: a row as it stands in its file, its neighbours, the samples that came from it."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    file, row = word_in(request, "file") or "", int(number_in(request, "row", 1))
    record = row_record(programme.source_row(sortie, file, row))
    near = range(max(1, row - _AROUND), row + _AROUND + 1)
    context = {"sortie": sortie, "file": file, "row": row, "record": record, "near": _near(request, file, list(near))}
    return respond(request, "row.html", context)


def show_rows(request: Request) -> Response:
    """GET /sortie/NAME/rows?from=600&to=660: the rows of every recorder behind a stretch, seconds since the sortie's start."""
    programme, sortie = programme_of(request), request.path_params["sortie"]
    card = programme.sorties().set_index("sortie")
    programme.card(sortie)  # says which sorties there are when there is no such one
    length = float(card.loc[sortie, "duration_s"])
    start_s = min(max(number_in(request, "from", 0.0), 0.0), length)
    stop_s = min(max(number_in(request, "to", length), start_s), length)
    begin = card.loc[sortie, "start_utc"]
    context = {
        "sortie": sortie,
        "from": start_s,
        "to": stop_s,
        "start_utc": second_text(utc_text(begin + dt.timedelta(seconds=start_s))),
        "end_utc": second_text(utc_text(begin + dt.timedelta(seconds=stop_s))),
        "rows": rows_behind(programme, sortie, list_rows_of_every_file(programme.folder, sortie, start_s, stop_s)),
    }
    return respond(request, "rows.html", context)


def _near(request: Request, file: str, rows: list[int]) -> list[dict[str, Any]]:
    """The lines about a row; the last rows of a file have fewer behind them."""
    from ...shared.errors import InputError

    programme, sortie = programme_of(request), request.path_params["sortie"]
    while rows:
        try:
            found = programme.source_lines(sortie, file, rows)
        except InputError:
            rows = rows[:-1]
            continue
        return [
            {"row": one.row, "text": one.text if one.text is not None else one.content[:64].hex(" ")} for one in found
        ]
    return []


def show_limits(request: Request) -> Response:
    """GET /limits: limits passed, and the extremes recorded, across sorties."""
    programme = programme_of(request)
    with programme.reading():
        context = limits_context(programme)
    return respond(request, "limits.html", context)


def _whole(value: Any) -> int | None:
    return None if value is None or value != value else int(value)


ROUTES = [
    Route("/questions", show_questions),
    Route("/questions/{question}", answer, methods=["POST"]),
    Route("/ledger", show_ledgers),
    Route("/limits", show_limits),
    Route("/sortie/{sortie}/ledger", show_ledger),
    Route("/sortie/{sortie}/row", show_row),
    Route("/sortie/{sortie}/rows", show_rows),
]
