"""Adding sorties from a page: each file sent on its own, so that its progress shows, then one job that adds them."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import anyio
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from ...shared.errors import InputError
from .jobs import Report
from .rendering import advice_for_page, json_response, path_of, respond, text_for_page, words_for_page
from .requests import form_of, programme_of
from .uploads import MOST_BYTES, Drop, clean_name

_LOOK = "Below stands what each file was taken for; drop the recorders' own files, as they came"

if TYPE_CHECKING:
    from ...store.programme import Programme
    from ...store.report import AddReport, FileReport, SortieReport


def show_drop(request: Request) -> Response:
    """GET /drop: where files are dropped."""
    return respond(request, "drop.html", {"most_bytes": MOST_BYTES})


def begin(request: Request) -> Response:
    """POST /drop: a new drop."""
    return json_response({"id": request.app.state.uploads.begin().id}, status=201)


async def receive_file(request: Request) -> Response:
    """PUT /drop/ID/file?name=...: one file's bytes, as they are; a file broken off leaves nothing."""
    uploads = request.app.state.uploads
    drop: Drop = uploads.find(request.path_params["drop"])
    name, place = uploads.place_for(drop, request.query_params.get("name", ""))
    try:
        async with await anyio.open_file(place, "xb") as stream:
            async for chunk in request.stream():
                drop.files[name] += len(chunk)
                if drop.bytes > MOST_BYTES:
                    raise InputError("the drop is too large", allowed=f"{MOST_BYTES >> 30} GiB")
                await stream.write(chunk)
    except (ClientDisconnect, InputError, OSError) as error:
        drop.files.pop(name, None)
        await anyio.to_thread.run_sync(lambda: place.unlink(missing_ok=True))
        if isinstance(error, OSError):
            raise InputError("the file cannot be kept", found=str(error.strerror)) from None
        raise
    return json_response({"name": name, "bytes": drop.files[name]}, status=201)


async def finish(request: Request) -> Response:
    """POST /drop/ID/add: add what was dropped; field `name` names a sortie whose files came without a folder,
    `replace` (any word) puts it in the place of a sortie of the same name."""
    uploads, jobs, programme = request.app.state.uploads, request.app.state.jobs, programme_of(request)
    drop: Drop = uploads.find(request.path_params["drop"])
    form = await form_of(request)
    if not drop.files:
        raise InputError("nothing was dropped")
    paths = await anyio.to_thread.run_sync(lambda: _sortie_paths(drop, form.get("name", "")))

    def add(report: Report) -> dict[str, Any]:
        try:
            work = programme.readd if form.get("replace") else programme.add
            result = add_context(programme, work(paths, on_progress=report))
            drop.is_kept = any(one["questions"] and one["status"] == "failed" for one in result["sorties"])
            return result
        finally:
            uploads.end(drop)

    return json_response(jobs.start("adding", add).record(), status=202)


def cancel(request: Request) -> Response:
    """DELETE /drop/ID: give the drop up; nothing of it stays."""
    uploads = request.app.state.uploads
    uploads.end(uploads.find(request.path_params["drop"]))
    return json_response({"cancelled": True})


def show_job(request: Request) -> Response:
    """GET /jobs/ID: how far it is."""
    job = request.app.state.jobs.find(request.path_params["job"])
    if job is None:
        raise InputError("no such work", found=request.path_params["job"])
    return json_response(job.record())


def _sortie_paths(drop: Drop, name: str) -> list[Path]:
    """What to add: folders and archives as they are; several loose files together as one sortie."""
    tops = sorted({file.split("/")[0] for file in drop.files})
    loose = [top for top in tops if (drop.folder / top).is_file() and Path(top).suffix.lower() != ".zip"]
    if loose and (len(loose) > 1 or name.strip()):
        title = re.sub(r"[^A-Za-z0-9._-]", "-", clean_name(name).replace("/", "-")) if name.strip() else ""
        folder = drop.folder / (title or f"sortie-{dt.datetime.now(dt.UTC):%Y%m%d-%H%M%S}")
        while folder.exists():
            folder = folder.with_name(folder.name + "-files")
        folder.mkdir()
        for top in loose:
            (drop.folder / top).rename(folder / top)
        tops = [top for top in tops if top not in loose] + [folder.name]
    return [drop.folder / top for top in tops]


def add_context(programme: Programme, report: AddReport) -> dict[str, Any]:
    """What became of every sortie and file, as plain values."""
    return {"sorties": [_sortie(programme, one) for one in report.sorties]}


def _sortie(programme: Programme, one: SortieReport) -> dict[str, Any]:
    error = one.error
    asked = {q["id"] for finding in one.findings for q in finding.facts.get("questions", ())}
    asked |= {q["id"] for q in (error.facts.get("questions") or () if error is not None else ())}
    there = one.status != "failed"
    known = re.search(r" as (\S+?)(,|$)", one.note)
    return {
        "sortie": one.sortie,
        "status": one.status,
        "address": path_of("sortie", known[1] if known and one.status == "unchanged" else one.sortie)
        if there
        else None,
        "minutes": round(one.duration_s / 60, 1),
        "points": one.points,
        "refused": one.refused,
        "events": one.events,
        "files": [_file(file) for file in one.files],
        "findings": [{"level": f.level, "code": f.code, "text": f.text} for f in one.findings if f.level != "note"],
        "questions": sorted(asked),
        "error": text_for_page(error) if error is not None else None,
        "error_short": f"{error.what}. {advice_for_page(error.do) or _LOOK}" if error is not None else None,
        "note": words_for_page(one.note),
    }


def _file(file: FileReport) -> dict[str, Any]:
    return {
        "file": file.file,
        "adapter": file.adapter,
        "rows_in": file.rows_in,
        "rows_out": file.rows_out,
        "channels": len(file.channels),
        "doubts": [f.text for f in file.findings if f.level != "note"],
    }


ROUTES = [
    Route("/drop", show_drop, methods=["GET"]),
    Route("/drop", begin, methods=["POST"]),
    Route("/drop/{drop}/file", receive_file, methods=["PUT"]),
    Route("/drop/{drop}/add", finish, methods=["POST"]),
    Route("/drop/{drop}", cancel, methods=["DELETE"]),
    Route("/jobs/{job}", show_job),
]
