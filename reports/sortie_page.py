"""A sortie's page: one HTML file that opens offline, pictures first, every number with its origin."""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from .output import write_file
from .page_history import history_of
from .page_tables import tables_of

if TYPE_CHECKING:
    from ..store.programme import Programme

_HERE = Path(__file__).parent


def write_sortie_page(programme: Programme, sortie: str, output: Path | None) -> Path:
    """Write the page and return its path; default reports/<sortie>.html in the programme's folder."""
    context = sortie_context(programme, sortie)
    target = output or programme.folder / "reports" / f"{sortie}.html"
    if output is None:
        target.parent.mkdir(parents=True, exist_ok=True)
    write_file(target, render(context).encode("utf-8"))
    return target


def sortie_context(programme: Programme, sortie: str) -> dict[str, Any]:
    """Everything the page shows, as plain values. Raises UnknownSortieError."""
    return {
        "sortie": sortie,
        "version": version("trimshot"),
        **tables_of(programme, sortie),
        "history": history_of(programme, sortie),
    }


def render(context: dict[str, Any]) -> str:
    """The page's HTML. Every value is escaped; only our own style and script files go in as they are."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    assets = {
        "plot_css": _asset("uPlot.min.css"),
        "page_css": _asset("page.css"),
        "plot_js": _asset("uPlot.iife.min.js"),
        "page_js": _asset("timehistory.js"),
    }
    history = Markup(script_json(context["history"]))
    return environment.get_template("sortie.html").render(**{**context, "history": history}, **assets)


def script_json(value: Any) -> str:
    """JSON that can stand inside a script element: no '<' and no '&' that could end or open markup."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _asset(name: str) -> Markup:
    return Markup((_HERE / "assets" / name).read_text(encoding="utf-8"))
