"""A reduction's page: the form above it with all that was asked, what is wrong beside its field, the sheet below."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from markupsafe import Markup, escape
from starlette.requests import Request

from ...shared.errors import ConditionError, SettingsError, TrimshotError
from ...store.overview import list_words
from ..commands.reduce import read_options
from ..reductions.charts import draw
from ..reductions.evidence import gather_evidence
from ..reductions.figure_words import words_of_figure
from ..reductions.page import svg_element
from ..reductions.present import context_of
from ..reductions.registry import find_reduction
from .rendering import path_of, text_for_page, words_for_page
from .requests import programme_of, word_in

if TYPE_CHECKING:
    from ...store.programme import Programme
    from ..reductions.registry import Option, Reduction

CONFIGURATION = ("gear", "flap", "power", "propulsion")
_NOT_OPTIONS = {*CONFIGURATION, "format", "sorties", "aircraft", "judged"}
_FLIGHTS = {"changes": ("before", "after")}  # options that name flights, by reduction
_YES = ("robust",)  # options that are there or not
_EXAMPLES = {"speed": "95 kt", "length": "1000 ft", "angle": "30 deg", "mass": "2400 lb", "number": ""}
_OWN_EXAMPLES = {
    "headwind": "10 kt",
    "sink": "500 fpm",
    "abeam": "0.7 nmi",
    "downwind": "0.5 nmi",
    "gear_at": "low key",
    "flaps_at": "half:base,full:final",
}
_STYLE = re.compile(r' style="([^"]*)"')
_IDENTITY = re.compile(r"""( id="|href="#|url\(#)""")
_POINT_LINK = re.compile(r'<a xlink:href="/sortie/([^"/]+)/points/(\d+)"')
_NUMBER_AND_UNIT = re.compile(r"([-+]?\d+(?:\.\d*)?)([A-Za-z].*)")


def result_context(request: Request) -> dict[str, Any]:
    """The form and the sheet in display units with its pictures; `error` (or an option's) says why there is no sheet.

    Raises SettingsError for a reduction or an option that there is not.
    """
    programme, reduction = programme_of(request), find_reduction(request.path_params["name"])
    form = _form(request, programme, reduction)
    wrong = any(one["error"] for one in form["options"]) or form["error"]
    if wrong:
        return {**form, "sheet": None, "pictures": []}
    try:
        evidence = gather_evidence(
            programme,
            sorties=[one["sortie"] for one in form["offered"] if one["chosen"]] if form["some_flights"] else (),
            config={key: word for key, word in form["config"].items() if word},
            aircraft=form["aircraft"],
            options=_values(form["options"], reduction),
            judged=form["judged"],
        )
        sheet = context_of(reduction.run(evidence), programme.settings)
    except (ConditionError, SettingsError) as error:
        return {**form, "error": text_for_page(error), "sheet": None, "pictures": []}
    sheet["cautions"] = [words_for_page(one) for one in sheet["cautions"]]
    sheet["missing"] = [words_for_page(one) for one in sheet["missing"]]
    for table in sheet["tables"]:
        table["note"] = words_for_page(table["note"] or "")
    return {
        **form,
        **sheet,
        "aircraft": evidence.aircraft,
        "sheet": True,
        "pictures": [_picture(one, f"f{place}-") for place, one in enumerate(sheet["figures"], start=1)],
    }


def _form(request: Request, programme: Programme, reduction: Reduction) -> dict[str, Any]:
    listed = programme.sorties()
    names = sorted({str(name) for name in listed["aircraft"].dropna() if str(name)})
    aircraft = word_in(request, "aircraft")
    if aircraft is None and programme.settings.aircraft.name is None and len(names) > 1:
        aircraft = names[
            0
        ]  # numbers of two airframes are never pooled; the page says which is shown and offers the others
    own = listed[listed["aircraft"].isin([aircraft])] if aircraft in names and len(names) > 1 else listed
    flights, asked = list(own["sortie"]), request.query_params.getlist("sorties")
    words = list_words(programme.folder)
    given = {key: ",".join(filter(str.strip, request.query_params.getlist(key))) for key in request.query_params}
    read_options(
        reduction, tuple(f"{key}=1 kt" for key in given if key not in _NOT_OPTIONS and key not in _names(reduction))
    )
    config = {key: word_in(request, key) or "" for key in CONFIGURATION}
    return {
        "title": reduction.title,
        "question": reduction.question,
        "aircraft": aircraft,
        "aircraft_names": names,
        "judged": word_in(request, "judged") is not None,
        "marks": len(programme.marks()),
        "options": [_option(one, reduction, given.get(one.name, ""), flights) for one in reduction.options],
        "config": config,
        "words": {key: _with(words.get(key, []), config[key]) for key in CONFIGURATION},
        "offered": [{"sortie": name, "chosen": not asked or name in asked} for name in flights],
        "some_flights": bool(asked) and not set(flights) <= set(asked),
        "error": _unfit(asked, list(listed["sortie"])),
    }


def _names(reduction: Reduction) -> set[str]:
    return {one.name for one in reduction.options}


def _unfit(asked: list[str], there: list[str]) -> str | None:
    unknown = [name for name in asked if name not in there]
    return f"no such sortie: {', '.join(unknown)}" if unknown else None


def _with(words: list[str], chosen: str) -> list[str]:
    return words if not chosen or chosen in words else [*words, chosen]


def _option(option: Option, reduction: Reduction, value: str, flights: list[str]) -> dict[str, Any]:
    """An option as the form shows it: name, meaning, value, form (choice, tick, text), error."""
    is_flight = option.name in _FLIGHTS.get(reduction.name, ())
    if option.quantity not in (None, "number") and (match := _NUMBER_AND_UNIT.fullmatch(value.strip())):
        value = f"{match[1]} {match[2]}"  # 95kt is as clear as 95 kt
    error = None
    try:
        read_options(reduction, (f"{option.name}={value}",) if value.strip() else ())
    except TrimshotError as wrong:
        error = text_for_page(wrong)
    return {
        "name": option.name,
        "meaning": option.meaning,
        "value": value,
        "form": "choice" if is_flight else "tick" if option.name in _YES else "words" if option.words else "text",
        "choices": _with(flights[::-1], value) if is_flight else _with(list(option.words), value),
        "example": _OWN_EXAMPLES.get(option.name, _EXAMPLES.get(option.quantity or "", "")),
        "error": error,
    }


def _values(options: list[dict[str, Any]], reduction: Reduction) -> dict[str, float | str]:
    return read_options(reduction, tuple(f"{one['name']}={one['value']}" for one in options if one["value"].strip()))


def _picture(figure: dict[str, Any], prefix: str) -> Markup:
    """A figure as an element of the page: its styles as attributes, because the page's policy allows no inline style; its
    identities under the prefix, because two figures share a page; it and the points it leads to named for who listens."""
    link = path_of("sortie", "{sortie}", "points", "{number}").replace("%7B", "{").replace("%7D", "}")
    drawing = svg_element(draw(figure, link=link))
    drawing = re.sub(r"<!--.*?-->", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r"<style.*?</style>", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r"<metadata>.*?</metadata>", "", drawing, flags=re.DOTALL)
    drawing = _STYLE.sub(_attributes, drawing)
    drawing = _IDENTITY.sub(rf"\g<1>{prefix}", drawing)
    drawing = _POINT_LINK.sub(_named_link, drawing)
    name = escape(words_of_figure(figure))
    return Markup(drawing.replace("<svg ", f'<svg role="group" aria-label="{name}" ', 1))


def _named_link(match: re.Match[str]) -> str:
    return f'{match[0]} aria-label="{escape(unquote(match[1]))} point {match[2]}"'


def _attributes(match: re.Match[str]) -> str:
    pairs = [part.split(":", 1) for part in match[1].split(";") if ":" in part]
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)
