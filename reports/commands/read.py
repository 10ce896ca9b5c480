"""`trimshot read`: what the readers make of a file or folder, without a programme."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from ..listing import TableColumn, csv_text, plain, print_table
from .options import format_option


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--settings",
    type=click.Path(path_type=Path, dir_okay=False),
    help="settings.toml whose instrument profiles to use.",
)
@format_option
@click.pass_context
def read(ctx: click.Context, path: Path, settings: Path | None, form: str) -> None:
    """Show what comes out of PATH (a file, folder or zip); nothing is written."""
    from ...ingest.dry_run import describe
    from ...shared.settings import load_settings

    account = describe(path, load_settings(settings) if settings else None)
    if form == "json":
        click.echo(json.dumps(plain(account), indent=1, ensure_ascii=False, allow_nan=False))
    elif form == "csv":
        click.echo(csv_text([{"channel": name, **facts} for name, facts in account["channels"].items()]), nl=False)
    else:
        _print_account(account)
    if account["outcome"] == "error":
        ctx.exit(2)


def _print_account(account: dict[str, Any]) -> None:
    time = account.get("time") or {}
    click.echo(f"{account['outcome']}: {account['rows']} rows")
    if time.get("first"):
        click.echo(f"time: {time['first']} to {time['last']} ({time['basis']}), median step {time['median_dt_s']} s")
    rows = [
        {"name": name, **{k: "–" if v is None else str(v) for k, v in plain(facts).items()}}
        for name, facts in account["channels"].items()
    ]
    keys = ("name", "source", "unit", "n", "missing", "min", "max")
    print_table(
        rows, [TableColumn(key, key, "left" if key in ("name", "source", "unit") else "right") for key in keys], None
    )
    for finding in account["findings"]:
        click.echo(
            f"{finding['code']} ×{finding['count']} {finding.get('where') or ''} {finding.get('text') or ''}".rstrip()
        )
    for question in account["needs"] or []:
        click.echo(f"question: {question['text'] if isinstance(question, dict) else question}")
    if account.get("error"):
        code = account["error"]["code"]
        shown = "" if code.endswith("Error") else f"{code} "  # a class of the program says nothing to its user
        click.echo(f"error: {shown}{account['error']['message']}")
