"""`trimshot questions` and `trimshot answer`: what only the pilot can decide, once per recorder."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..listing import emit, plain_line, utc_text
from .add import print_report, show_progress
from .options import format_option, programme_of, programme_option, sortie_choice

if TYPE_CHECKING:
    from ...store.answers import AnswerReport, Change
    from ...store.questions import Asked

_SHOWN = 6


@click.command()
@sortie_choice("Questions")
@click.option(
    "--answered", is_flag=True, help="The questions answered before, with their answers, instead of the open ones."
)
@format_option
@programme_option
@click.pass_context
def questions(ctx: click.Context, sortie: str | None, answered: bool, form: str, programme: Path | None) -> None:
    """List what only you can decide, about SORTIE or all: each question once for its recorder, with the command that answers it.

    Meanwhile nothing is guessed: every question says what is kept back or provisional until it is answered.
    """
    handle = programme_of(ctx, programme)
    found = handle.questions(sortie, answered=answered)
    if form != "table":
        emit([_record(one) for one in found], form, columns=())
        return
    for one in found:
        _print_question(one)
    click.echo(f"{len(found)} {'answered' if answered else 'open'} question{'' if len(found) == 1 else 's'}")


@click.command()
@click.argument("question")
@click.argument("value")
@programme_option
@click.pass_context
def answer(ctx: click.Context, question: str, value: str, programme: Path | None) -> None:
    """Answer QUESTION (its id in `trimshot questions`) with VALUE, for this and every later sortie of the recorder.

    The answer is kept in settings.toml; the sorties of that recorder are read again from their kept
    files. Answer again to change it.
    """
    handle = programme_of(ctx, programme)
    report = handle.answer(question, value, on_progress=show_progress)
    _print_answer(report)
    if report.report.count("failed"):
        ctx.exit(2)


def _record(asked: Asked) -> dict[str, Any]:
    question = asked.question
    return {
        "id": question.id,
        "kind": question.kind,
        "question": question.text,
        "evidence": question.evidence,
        "effect": question.effect,
        "instrument": question.instrument,
        "files": list(asked.files),
        "column": question.column,
        "sorties": list(asked.sorties),
        "waiting": list(asked.waiting),
        "allowed": question.allowed,
        "choices": list(question.choices),
        "answer": asked.answer,
        "command": command_of(asked),
    }


def command_of(asked: Asked) -> str | None:
    """The command that answers a question with its first choice, or with VALUE where there is no list of choices."""
    question = asked.question
    return f"trimshot answer {question.id} {next(iter(question.choices), 'VALUE')}" if question.key else None


def _print_question(asked: Asked) -> None:
    question = asked.question
    click.echo(f"{question.id}  {plain_line(question.text)}")
    click.echo(f"    evidence:  {plain_line(question.evidence)}")
    if asked.answer is None:
        click.echo(f"    meanwhile: {question.effect}")
    if asked.sorties:
        click.echo(f"    sorties:   {_several(asked.sorties)}")
    if asked.waiting:
        click.echo(f"    waiting:   {_several(asked.waiting)} (not in the programme until this is answered)")
    if len(asked.same_layout) > 1:
        names = ", ".join(plain_line(name) for name in asked.same_layout)
        click.echo(
            f"    beware:    {names} of one sortie have the same layout and will share the answer; recorders that"
            " differ need a profile each, with `files`, in settings.toml"
        )
    if asked.pending:
        click.echo(f"    answered:  {asked.answer} in settings.toml; these sorties were read before: trimshot rebuild")
    elif asked.answer is not None:
        click.echo(f"    answered:  {asked.answer}")
    if question.form:
        click.echo(f"    allowed:   {plain_line(question.form)}")
    command = command_of(asked)
    if command is not None:
        others = f" (or {', '.join(question.choices[1:])})" if question.choices[1:] else ""
        click.echo(f"    answer:    {command}{others}")


def _several(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"


def _print_answer(report: AnswerReport) -> None:
    question = report.question
    former = "" if report.former is None or report.former == report.value else f" (was {report.former})"
    click.echo(f"{plain_line(question.text)} {_shown(report.value)}{former}")
    click.echo(f"kept in settings.toml as instruments.{report.profile}, for every later sortie of this recorder")
    for change in report.changes:
        _print_change(change)
    failed = [one for one in report.report.sorties if one.status == "failed"]
    if failed:
        print_report(type(report.report)(tuple(failed)))
    for path in report.missing:
        click.echo(f"no longer there: {path}; add it with: trimshot add {shlex.quote(path)}")
    if not report.changes and not report.missing:
        click.echo("no sortie of the programme has a file of this recorder")


def _shown(value: Any) -> str:
    return ", ".join(value) if isinstance(value, list) else str(value)


def _print_change(change: Change) -> None:
    before, after = change.before, change.after
    if before.start_utc is None:
        click.echo(f"{change.sortie}: added, {after.rows} rows, {len(after.channels)} channels, {after.points} points")
        return
    parts = [
        f"{name} {was} → {now}" if was != now else f"{name} {now}"
        for name, was, now in (
            ("rows", before.rows, after.rows),
            ("channels", len(before.channels), len(after.channels)),
            ("points", before.points, after.points),
        )
    ]
    if before.start_utc != after.start_utc:
        parts.insert(0, f"start {utc_text(before.start_utc)} → {utc_text(after.start_utc)}")
    click.echo(f"{change.sortie}: {', '.join(parts)}")
    for word, names in (("gained", after.channels - before.channels), ("lost", before.channels - after.channels)):
        if names:
            click.echo(f"    {word} {', '.join(sorted(names))}")
