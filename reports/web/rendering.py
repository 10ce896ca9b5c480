"""One context, two forms: a page for people, JSON for programs (`?format=json`). Everything is escaped."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from ...shared.errors import TrimshotError
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


_OPTION = re.compile(r"`--with (\w+)=\.\.\.`")
_ADVICE = (
    ("adding it anew with `--replace`", "adding it again with “replace” ticked on the page Add sorties"),
    ("add the sortie anew with `--replace`", "add the sortie again with “replace” ticked on the page Add sorties"),
    ("`trimshot rebuild` finds anew", "“Find anew” on the programme's page does it"),
    ("`trimshot rebuild`", "“Find anew” on the programme's page"),
    ("see `trimshot events`", "the form above offers those there are"),
    ("see `trimshot channels`", "the form above offers those there are"),
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
    environment.filters.update(line=plain_line, data=_data, paged=words_for_page)
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


def words_for_page(text: str) -> str:
    """What is advised for the command line, as it is done in a page."""
    text = _OPTION.sub(r"the field “\1” above", text)
    for of_terminal, of_page in _ADVICE:
        text = text.replace(of_terminal, of_page)
    return text


def advice_for_page(advice: str | None) -> str | None:
    """What to do, where it can be done in a page: other advice for the command line is left out."""
    told = words_for_page(advice or "")
    return None if not told or "--" in told or "`trimshot" in told else told


def text_for_page(error: TrimshotError) -> str:
    """An error in one line for a page."""
    found = f"found {error.found}" if error.found else None
    allowed = f"allowed: {error.allowed}" if error.allowed else None
    where = error.where if error.where and not error.where.startswith("--") else None
    return "; ".join(filter(None, (error.what, where, found, allowed, advice_for_page(error.do))))


def json_response(value: Any, *, status: int = 200) -> Response:
    """Plain values as JSON; not a number is null."""
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text, status_code=status, media_type="application/json")


def _data(value: Any) -> Any:
    """JSON for a script element of type application/json."""
    from markupsafe import Markup

    return Markup(script_json(plain(value)))
