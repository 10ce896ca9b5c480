"""The server as one application: routes, protection, errors as pages."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from ...shared.errors import ChannelError, LockedError, TrimshotError, UnknownSortieError
from . import ask_routes, drop_routes, home_routes, points_routes, result_routes, sortie_routes, trust_routes
from .access import Access
from .histories import Histories
from .jobs import Jobs
from .protection import HEADERS, Protection
from .rendering import advice_for_page, respond
from .uploads import Uploads

if TYPE_CHECKING:
    from ...store.programme import Programme

_ASSETS = Path(__file__).parent.parent / "assets"


def create_app(programme: Programme, hosts: Iterable[str], access: Access) -> Starlette:
    """The application that shows a programme to browsers that name one of `hosts` and hold a key of `access`."""

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        app.state.jobs.close()
        app.state.uploads.close()

    app = Starlette(
        routes=[
            *home_routes.ROUTES,
            *points_routes.ROUTES,
            *sortie_routes.ROUTES,
            *ask_routes.ROUTES,
            *drop_routes.ROUTES,
            *result_routes.ROUTES,
            *trust_routes.ROUTES,
            Mount("/assets", StaticFiles(directory=_ASSETS)),
        ],
        middleware=[Middleware(Protection, hosts=frozenset(hosts), access=access)],
        exception_handlers={TrimshotError: _show_error, HTTPException: _show_missing, Exception: _show_fault},  # type: ignore[dict-item]
        lifespan=lifespan,
    )
    app.state.programme = programme
    app.state.jobs = Jobs()
    app.state.histories = Histories()
    app.state.uploads = Uploads()
    app.state.results = {}
    return app


def _show_error(request: Request, error: TrimshotError) -> Response:
    status = 503 if isinstance(error, LockedError) else 404 if isinstance(error, UnknownSortieError) else 400
    facts = {
        "what": error.what,
        "where": None if (error.where or "").startswith("--") else error.where,
        "found": error.found,
        "allowed": error.allowed,
        "do": advice_for_page(error.do),
    }
    if isinstance(error, ChannelError) and error.allowed:
        facts["allowed"] = error.allowed[:2000]
    return respond(request, "error.html", {"status": status, **facts}, status=status)


def _show_missing(request: Request, error: HTTPException) -> Response:
    what = "there is no such page" if error.status_code == 404 else str(error.detail)
    facts = {"what": what, "where": request.url.path, "found": None, "allowed": None, "do": None}
    return respond(request, "error.html", {"status": error.status_code, **facts}, status=error.status_code)


def _show_fault(request: Request, error: Exception) -> Response:
    """A fault of the program: told as such; the server prints where it happened and goes on."""
    facts = {"where": request.url.path, "found": f"{type(error).__name__}: {error}", "allowed": None}
    what = "a fault of the program, not of what you did"
    context = {"what": what, **facts, "do": "the terminal in which it was started says more", "status": 500}
    answer = respond(request, "error.html", context, status=500)
    answer.headers.update(HEADERS)  # this answer is given outside of Protection
    return answer
