"""`trimshot reduce NAME`: a reduction over the programme, for people, programs or as a page."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ...shared.errors import SettingsError
from ...shared.units import from_si, parse_quantity, to_si
from ..absent import tell_absent
from ..listing import TableColumn, csv_text, plain, print_table
from ..reductions.evidence import gather_evidence
from ..reductions.present import context_of, counted, csv_records
from ..reductions.registry import REDUCTIONS, Option, Reduction, find_reduction
from .options import format_option, programme_of, programme_option


@click.command()
@click.argument("name", required=False)
@click.option("--sorties", multiple=True, metavar="SORTIE", help="Use this sortie alone; may be given several times.")
@click.option("--config", multiple=True, metavar="STATE=WORD", help="Only points in it, for example gear=down.")
@click.option("--aircraft", help="The aircraft, where the programme holds several.")
@click.option(
    "--with", "given", multiple=True, metavar="OPTION=VALUE", help="An option of the reduction, with its unit."
)
@click.option("--judged", is_flag=True, help="Use the points as people marked them, not as found.")
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="Write it as a page with pictures.")
@format_option
@programme_option
@click.pass_context
def reduce(
    ctx: click.Context,
    name: str | None,
    sorties: tuple[str, ...],
    config: tuple[str, ...],
    aircraft: str | None,
    given: tuple[str, ...],
    judged: bool,
    page: Path | None,
    form: str,
    programme: Path | None,
) -> None:
    """Reduce found points to results with bands; without NAME, list what there is."""
    if name is None:
        print_table(
            [{"name": r.name, "question": r.question, "options": _options_text(r)} for r in REDUCTIONS],
            [TableColumn("name", "name"), TableColumn("answers", "question"), TableColumn("options", "options")],
            None,
        )
        return
    handle = programme_of(ctx, programme)
    reduction = find_reduction(name)
    wanted = dict(_pair(one) for one in config)
    evidence = gather_evidence(
        handle,
        sorties=sorties,
        config=wanted,
        aircraft=aircraft,
        options=read_options(reduction, given),
        judged=judged,
    )
    absent = tell_absent(handle, "points", wanted)  # the names of states were judged with the evidence
    if absent:
        click.echo(absent.strip(), err=True)
    sheet = reduction.run(evidence)
    if judged:
        sheet = dataclasses.replace(
            sheet, title=f"{sheet.title} (points as judged)", facts={**sheet.facts, "judged": True}
        )
    settings = handle.settings
    if page is not None:
        from ..reductions.page import write_page

        write_page(sheet, settings, page)
        click.echo(f"written {page}", err=form != "table")
    if form == "json":
        click.echo(json.dumps(plain(context_of(sheet, settings)), indent=1, ensure_ascii=False, allow_nan=False))
    elif form == "csv":
        click.echo(csv_text(list(csv_records(sheet, settings))), nl=False)
    elif page is None:
        _print(context_of(sheet, settings))


def read_options(reduction: Reduction, given: tuple[str, ...]) -> dict[str, float | str]:
    """OPTION=VALUE texts as SI values. Raises SettingsError naming what the reduction takes."""
    known = {one.name: one for one in reduction.options}
    values: dict[str, float | str] = {}
    for text in given:
        key, value = _pair(text)
        if key not in known:
            raise SettingsError(
                f"{reduction.name} has no such option", found=key, allowed=", ".join(known) or "none", where="--with"
            )
        values[key] = _word(value, known[key]) if known[key].quantity is None else _number(value, known[key])
    return values


def _word(text: str, option: Option) -> str:
    word = text.casefold() if option.words else text
    if option.words and word not in option.words:
        raise SettingsError(
            f"{option.name} takes one of a few words", found=repr(text), allowed=", ".join(option.words), where="--with"
        )
    return word


def _number(text: str, option: Option) -> float:
    """The SI value of a number or quantity inside the option's limits."""
    value, shown = _parse(text, option)
    if not math.isfinite(value):
        raise SettingsError(f"{option.name} is not a finite number", found=repr(text), where="--with")
    limits = [
        f"{words} {shown(limit)}"
        for words, limit, kept in (
            ("more than", option.above, option.above is None or value > option.above),
            ("less than", option.below, option.below is None or value < option.below),
            ("at least", option.least, option.least is None or value >= option.least),
        )
        if limit is not None and not kept
    ]
    if limits:
        raise SettingsError(
            f"{option.name} is out of its range", found=repr(text), allowed=", ".join(limits), where="--with"
        )
    return value


def _parse(text: str, option: Option) -> tuple[float, Callable[[float], str]]:
    """(SI value, how a limit reads in the unit it was written in)."""
    if option.quantity == "number":
        try:
            return float(text), lambda limit: f"{limit:g}"
        except ValueError:
            raise SettingsError(f"{option.name} is a number", found=repr(text), where="--with") from None
    number, unit = parse_quantity(text)
    if unit.kind != option.quantity:
        raise SettingsError(f"{option.name} is a quantity of {option.quantity}", found=repr(text), where="--with")
    return to_si(number, unit.symbol), lambda limit: f"{from_si(limit, unit.symbol):.4g} {unit.symbol}"


def _pair(text: str) -> tuple[str, str]:
    key, sign, value = text.partition("=")
    if not sign or not key.strip() or not value.strip():
        raise SettingsError("write NAME=VALUE", found=repr(text), do="for example gear=down")
    return key.strip(), value.strip()


def _options_text(reduction: Reduction) -> str:
    return ", ".join(one.name for one in reduction.options) or "–"


def _print(context: dict[str, Any]) -> None:
    click.secho(context["title"], bold=True)
    for text in context["statements"]:
        click.echo(f"  {text}")
    for table in context["tables"]:
        click.echo()
        click.secho(table["title"], bold=True)
        columns = [TableColumn(_head(c), c["key"], "right" if c["numeric"] else "left") for c in table["columns"]]
        cells = [{c.key: cell["text"] for c, cell in zip(columns, row, strict=True)} for row in table["rows"]]
        print_table(cells, columns, table["note"] or None)
    click.echo()
    click.echo(f"points and stretches used: {len(context['used'])} of {counted(context['flights'], 'flight')}")
    for one in context["left_out"]:
        click.echo(f"left out: {one['what']}: {one['reason']}")
    for text in context["missing"]:
        click.echo(f"missing: {text}")
    for text in context["cautions"]:
        click.secho(f"caution: {text}", bold=True)


def _head(column: dict[str, Any]) -> str:
    return f"{column['head']} [{column['unit']}]" if column["unit"] else str(column["head"])
