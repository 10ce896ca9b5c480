"""A reduction's page: one file that opens offline, pictures first, every number with its band and its points."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from ...shared.settings import Settings
from ..output import write_file
from .charts import draw
from .figure_words import words_of_figure
from .present import context_of
from .sheet import Sheet

_HERE = Path(__file__).parent.parent


def write_page(sheet: Sheet, settings: Settings, output: Path) -> None:
    """Write the page of a sheet. Raises InputError where the file cannot be written, as into a folder that is not there."""
    write_file(output, render(context_of(sheet, settings)).encode("utf-8"))


def render(context: dict[str, Any]) -> str:
    """The page's HTML from a sheet's context. Every value is escaped; only our own style and drawings go in as they are."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    pictures = [Markup(_named(svg_element(draw(one)), words_of_figure(one))) for one in context["figures"]]
    style = Markup((_HERE / "assets" / "page.css").read_text(encoding="utf-8"))
    return environment.get_template("reduction.html").render(
        **context, pictures=pictures, page_css=style, version=version("trimshot")
    )


def _named(svg: str, words: str) -> str:
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(words)}" ', 1)


def svg_element(drawing: str) -> str:
    """The <svg> element of a drawing, without the XML head."""
    return drawing[drawing.index("<svg") :]
