"""`trimshot print`: documents to take away: debrief, cards, handbook draft, report."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..output import write_file
from .options import programme_of, programme_option

if TYPE_CHECKING:
    from ...store.programme import Programme

DOCUMENTS = ("debrief", "cards", "handbook", "report")


@click.command("print")
@click.argument("document", type=click.Choice(DOCUMENTS))
@click.argument("sortie", required=False)
@click.option("--aircraft", help="The aircraft, where the programme holds several.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="The PDF; default: in reports/ of the programme."
)
@programme_option
@click.pass_context
def print_document(
    ctx: click.Context,
    document: str,
    sortie: str | None,
    aircraft: str | None,
    out: Path | None,
    programme: Path | None,
) -> None:
    """Print a sortie's debrief page, the next test cards, the handbook draft or the programme's report as PDF."""
    from ..documents.press import press

    if (document == "debrief") != (sortie is not None):
        raise click.UsageError("`print debrief` needs a SORTIE, the other documents are of the whole programme")
    handle = programme_of(ctx, programme)
    data = context_of_document(handle, document, sortie=sortie, aircraft=aircraft)
    of = sortie or _file_word(aircraft or "")
    target = out or handle.folder / "reports" / f"{document}{'-' + of if of else ''}.pdf"
    if out is None:
        target.parent.mkdir(parents=True, exist_ok=True)
    write_file(target, press(document, data))
    click.echo(f"written {target}")


def _file_word(name: str) -> str:
    """An aircraft's name as part of a file's: two aircraft of a programme have a document each."""
    return re.sub(r"[^\w.-]+", "_", name).strip("._")


def context_of_document(
    programme: Programme, document: str, *, sortie: str | None, aircraft: str | None
) -> dict[str, Any]:
    """The data of a document, display units; the modules that make it are imported here."""
    if document == "debrief":
        from ..documents.debrief import debrief_context

        return debrief_context(programme, str(sortie))
    from ..reductions.evidence import gather_evidence

    evidence = gather_evidence(programme, aircraft=aircraft)
    if document == "cards":
        from ..documents.cards import cards_context

        return cards_context(evidence)
    if document == "handbook":
        from ..documents.handbook import handbook_context

        return handbook_context(evidence)
    from ..documents.whole_report import report_context

    return report_context(evidence)


print = print_document
