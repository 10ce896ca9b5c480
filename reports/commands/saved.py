"""`trimshot save`, `saved`, `forget`: conditions kept under a name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from ..listing import TableColumn, emit
from .options import Duration, narrowing_options, output_options, programme_of, programme_option


@click.command()
@click.argument("name")
@click.argument("condition")
@click.option("--at-least", type=Duration(), default="0", metavar="DURATION", help="Shortest stretch told.")
@click.option("--join", type=Duration(), default="0", metavar="DURATION", help="Join stretches closer than this.")
@narrowing_options
@click.option("--note", default="", help="What it is for, in words.")
@click.option("--replace", is_flag=True, help="In place of the one of this name.")
@programme_option
@click.pass_context
def save(ctx: click.Context, /, name: str, replace: bool, programme: Path | None, **asked: Any) -> None:
    """Keep CONDITION under NAME in the programme's saved.toml; ask it with `trimshot find @NAME`.

    trimshot save steep-descent "flap = 'full' AND vertical_speed < fpm(-1000)" --at-least 10s
    """
    from ...store.saved import SavedCondition, save_condition

    handle = programme_of(ctx, programme)
    kept = SavedCondition.model_construct(**{**asked, "after": dict(asked["after"]), "before": dict(asked["before"])})
    save_condition(handle.folder, name, kept, replacing=replace)
    click.echo(f"saved; ask it with: trimshot find @{name}")


@click.command()
@output_options
@programme_option
@click.pass_context
def saved(ctx: click.Context, form: str, out: Path | None, programme: Path | None) -> None:
    """List the saved conditions."""
    records = [
        {
            "name": name,
            "condition": one.condition,
            "at_least_s": one.at_least,
            "join_s": one.join,
            "within": " ".join(one.within),
            "after": _spans(one.after),
            "before": _spans(one.before),
            "note": one.note,
        }
        for name, one in programme_of(ctx, programme).saved().items()
    ]
    columns = [TableColumn("name", "name"), TableColumn("condition", "condition")]
    columns += [TableColumn("at least s", "at_least_s", "right"), TableColumn("join s", "join_s", "right")]
    columns += [TableColumn(word, word) for word in ("within", "after", "before") if any(r[word] for r in records)]
    note = None if records else 'none yet: trimshot save NAME "CONDITION"'
    emit(records, form, out=out, columns=[*columns, TableColumn("note", "note")], note=note)


def _spans(spans: Mapping[str, float]) -> str:
    return ", ".join(f"{kind} {seconds:g} s" for kind, seconds in spans.items())


@click.command()
@click.argument("name")
@programme_option
@click.pass_context
def forget(ctx: click.Context, name: str, programme: Path | None) -> None:
    """Take the saved condition NAME out."""
    from ...store.saved import SIGN, forget_condition

    forget_condition(programme_of(ctx, programme).folder, name.removeprefix(SIGN))
    click.echo(f"forgotten: {name.removeprefix(SIGN)}")
