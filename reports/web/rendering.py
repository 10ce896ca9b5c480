"""One context, two forms: a page for people, JSON for programs (`?format=json`). Everything is escaped."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from ..listing import plain, plain_line
from ..sortie_page import script_json

_TEMPLATES = Path(__file__).parent.parent / "templates"
NAVIGATION = (
    ("/", "Programme"),
    ("/drop", "Add sorties"),
    ("/points", "Points"),
    ("/ask", "Ask"),
    ("/results", "Results"),
    ("/limits", "Limits"),
    ("/questions", "Questions"),
    ("/ledger", "Ledger"),
)


def path_of(*parts: object) -> str:
    """An address on this server from its parts, each quoted: no part can lead to another place."""
    return "/" + "/".join(quote(str(part), safe="") for part in parts)


@lru_cache(maxsize=1)
def templates() -> Environment:
    """The pages' templates; a name that is not in the context is an error, not an empty place."""
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(version=version("trimshot"), navigation=NAVIGATION, path_of=path_of)
    environment.filters.update(line=plain_line, data=_data)
    return environment


def wants_json(request: Request) -> bool:
    """Whether the request asks for the context itself."""
    return request.query_params.get("format") == "json"


def respond(request: Request, template: str, context: dict[str, Any], *, status: int = 200) -> Response:
    """The page, or its context as JSON."""
    if wants_json(request):
        return json_response(context, status=status)
    text = (
        templates()
        .get_template(f"web/{template}")
        .render(**context, here=request.url.path, programme_name=request.app.state.programme.folder.name)
    )
    return HTMLResponse(text, status_code=status)


def json_response(value: Any, *, status: int = 200) -> Response:
    """Plain values as JSON; not a number is null."""
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text, status_code=status, media_type="application/json")


def _data(value: Any) -> Any:
    """JSON for a script element of type application/json."""
    from markupsafe import Markup

    return Markup(script_json(plain(value)))
