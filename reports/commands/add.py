"""`trimshot add`: sorties into the programme, with what became of every file."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..display import clock_text
from .options import engine_of, engine_options, programme_of, programme_option

if TYPE_CHECKING:
    from ...store.report import AddReport, FileReport, SortieReport, Status


STATUSES: tuple[Status, ...] = ("added", "replaced", "unchanged", "failed")


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option("--replace", is_flag=True, help="Replace sorties already in the programme under the same name.")
@click.option("--notes", is_flag=True, help="Print every finding of every file, notes included.")
@engine_options
@programme_option
@click.pass_context
def add(
    ctx: click.Context,
    folders: tuple[Path, ...],
    replace: bool,
    notes: bool,
    workers: int | None,
    cluster: str | None,
    programme: Path | None,
) -> None:
    """Add each sortie's folder (or zip, or a folder of sorties) in FOLDERS.

    A sortie's id comes from its folder's name. The same folder twice adds nothing.
    """
    handle = programme_of(ctx, programme)
    with engine_of(workers, cluster) as engine:
        work = handle.readd if replace else handle.add
        report = work(list(folders), on_progress=show_progress, engine=engine)
    print_report(report, notes=notes)
    if report.count("failed"):
        ctx.exit(2)


def show_progress(text: str, done: int, total: int) -> None:
    """One line that is written over, on a terminal only."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K[{done}/{total}] {text}" if done < total else "\r\033[K")
        sys.stderr.flush()


def print_report(report: AddReport, *, notes: bool = False, failed: str = "not added") -> None:
    """What became of every sortie and every file of it; failed: what a sortie is called of which nothing came."""
    if not report.sorties:
        click.echo("no sorties found there: a sortie is a folder with log files in it, or a zip of one")
    for sortie in report.sorties:
        _print_sortie(sortie, notes=notes, failed=failed)
    parts = [f"{report.count(status)} {status}" for status in STATUSES if report.count(status)]
    if len(report.sorties) > 1:
        click.echo(f"sorties: {', '.join(parts)}")


def _print_sortie(sortie: SortieReport, *, notes: bool, failed: str) -> None:
    if sortie.status == "failed":
        reason = sortie.error.text() if sortie.error else "unknown reason"
        click.echo(f"{sortie.sortie}: {failed}: {reason}", err=True)
        _point_to_questions(len(sortie.error.facts.get("questions") or ()) if sortie.error else 0)
        return
    if sortie.status == "unchanged":
        click.echo(f"{sortie.sortie}: already there, nothing added{': ' + sortie.note if sortie.note else ''}")
        return
    click.echo(
        f"{sortie.sortie}: {sortie.status}, {sortie.duration_s / 60:.1f} min, {sortie.points} points"
        f" ({sortie.refused} candidates refused), {sortie.events} events"
    )
    if sortie.note:
        click.echo(f"    {sortie.note}")
    for one in sortie.files:
        _print_file(one, notes=notes)
    told = {finding.text for one in sortie.files for finding in one.findings if notes or finding.level == "fault"}
    for finding in sortie.findings:
        if finding.text not in told and (notes or finding.level != "note"):
            click.echo(f"    {finding.level}: {finding.code} {finding.text}")
    asked = {one["id"] for finding in sortie.findings for one in finding.facts.get("questions", ())}
    _point_to_questions(len(asked))


def _point_to_questions(count: int) -> None:
    if count:
        click.echo(f"    {count} question{'' if count == 1 else 's'} only you can answer: trimshot questions")


def _print_file(one: FileReport, *, notes: bool) -> None:
    clock = clock_text(one.clock_basis, one.clock_offset_s, one.clock_uncertainty_s)
    counts = (
        f"{one.rows_in} rows in, {one.rows_out} out, {len(one.channels)} channels, clock {clock}"
        if one.channels
        else "no samples"
    )
    counted: Counter[str] = Counter()
    for finding in one.findings:
        counted[finding.code] += finding.count
    codes = ", ".join(f"{code} ×{count}" if count > 1 else code for code, count in counted.items())
    click.echo(f"  {one.file}: {one.adapter}, {counts}{'; ' + codes if codes else ''}")
    for finding in one.findings:
        if notes or finding.level == "fault":
            click.echo(f"    {finding.level}: {finding.code} {finding.text}")
