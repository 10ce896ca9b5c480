"""`trimshot mark`: a person's judgement on a point, beside what was found."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ...store.judgement import take_back
from ..listing import TableColumn, emit, second_text, utc_text
from .options import format_option, programme_of, programme_option

if TYPE_CHECKING:
    from ...store.marks import Mark
    from ...store.programme import Programme

_ACTIONS = ("accept", "reject", "move", "add", "withdraw")
_NEW = "new"
_MARK = re.compile(r"[0-9a-f]{12}")


@click.command()
@click.argument("sortie", required=False)
@click.argument("number", required=False, metavar=f"[NUMBER|{_NEW}|MARK]")
@click.argument("action", required=False, type=click.Choice(_ACTIONS))
@click.option("--reason", help="Why, in your words; kept with the mark.")
@click.option("--by", "person", help="Who says so.")
@click.option("--start", help="Start of the stretch, UTC: 10:12:30 or 2031-03-14T10:12:30Z (move, add).")
@click.option("--stop", help="Its end, UTC (move, add).")
@format_option
@programme_option
@click.pass_context
def mark(ctx: click.Context, /, sortie: str | None, programme: Path | None, form: str, **given: Any) -> None:
    """Accept, reject, move or withdraw point NUMBER of SORTIE, or add a new one; without ACTION list the marks.

    \b
    trimshot mark SORTIE 31 accept --reason "steady enough for sink" --by "T. Pilot"
    trimshot mark SORTIE new add --start 10:12:30 --stop 10:13:05 --reason "card 4" --by "T. Pilot"

    `withdraw` with a point's NUMBER takes back all that was said of it, with the identity of a MARK (as the list shows it)
    that judgement alone; both stay in the list, and a taking back can be taken back.

    What was found stays as it was found. A mark holds for its stretch of time, also when points are found anew.
    """
    handle = programme_of(ctx, programme)
    if given["action"] is None:
        marks = handle.marks(sortie)
        if sortie and not marks:  # marks outlive their sortie: the name is judged where there are none
            handle.points(sortie)  # raises UnknownSortieError with the names there are
        _print_marks(marks, form)
        return
    assert sortie is not None
    if not given["reason"] or not given["person"]:
        raise click.UsageError("a mark needs --reason and --by")
    words = (given["reason"], given["person"])
    if given["action"] == "withdraw" and _MARK.fullmatch(given["number"] or ""):
        made = take_back(handle.folder, sortie, given["number"], words)
        emit([mark_record(made)], form, columns=(), cells=[], note=f"kept: {_line(made)}")
        return
    made = handle.judge(
        sortie,
        given["action"],
        number=_number(given["number"]),
        stretch=_stretch(handle, sortie, given["start"], given["stop"]),
        words=words,
    )
    emit([mark_record(made)], form, columns=(), cells=[], note=f"kept: {_line(made)}")


def mark_record(made: Mark) -> dict[str, Any]:
    """A mark as JSON and CSV hold it."""
    return {
        "sortie": made.sortie,
        "id": made.id,
        "action": made.action,
        "start_utc": utc_text(made.start_utc),
        "end_utc": utc_text(made.stop_utc),
        "new_start_utc": utc_text(made.new_start_utc),
        "new_end_utc": utc_text(made.new_stop_utc),
        "reason": made.reason,
        "by": made.person,
        "made_utc": utc_text(made.made_utc),
        "of": made.of,
    }


def _line(made: Mark) -> str:
    span = f"{second_text(utc_text(made.start_utc))} to {second_text(utc_text(made.stop_utc))[11:]}"
    return f"{made.action} {made.sortie} {span} UTC, by {made.person}: {made.reason}"


def _print_marks(marks: list[Mark], form: str) -> None:
    records = [mark_record(one) for one in marks]
    cells = [
        {
            "id": r["id"],
            "sortie": r["sortie"],
            "action": f"withdraw {r['of']}" if r["of"] else r["action"],
            "start": second_text(r["start_utc"]),
            "end": second_text(r["end_utc"])[11:],
            "moved": second_text(r["new_start_utc"])[11:] or "–",
            "by": r["by"],
            "reason": r["reason"],
        }
        for r in records
    ]
    columns = [
        TableColumn("mark", "id"),
        TableColumn("sortie", "sortie"),
        TableColumn("judgement", "action"),
        TableColumn("start UTC", "start"),
        TableColumn("end", "end"),
        TableColumn("moved to", "moved"),
        TableColumn("by", "by"),
        TableColumn("reason", "reason"),
    ]
    emit(records, form, columns=columns, cells=cells, note=f"{len(records)} mark{'' if len(records) == 1 else 's'}")


def _number(text: str | None) -> int | None:
    if text in (None, _NEW):
        return None
    try:
        return int(str(text))
    except ValueError:
        raise click.UsageError(f"{text!r} is not a point's number; `{_NEW}` stands for a new one") from None


def _stretch(
    handle: Programme, sortie: str, start: str | None, stop: str | None
) -> tuple[dt.datetime, dt.datetime] | None:
    if start is None and stop is None:
        return None
    if start is None or stop is None:
        raise click.UsageError("a stretch needs --start and --stop")
    listed = handle.sorties().set_index("sortie")
    day = listed.loc[sortie, "start_utc"] if sortie in listed.index else dt.datetime.now(dt.UTC)
    first = read_moment(start, day)
    return first, read_moment(stop, first)


def read_moment(text: str, after: dt.datetime) -> dt.datetime:
    """A full time with its zone, or a time of day, UTC, within the 24 h from `after` (12 h before counts as well)."""
    try:
        if "T" in text or " " in text.strip():
            moment = dt.datetime.fromisoformat(text.strip())
            if moment.tzinfo is None:
                raise click.UsageError(f"{text!r} has no zone; end it with Z for UTC")
            return moment
        at = dt.datetime.combine(after.date(), dt.time.fromisoformat(text.strip().removesuffix("Z")), dt.UTC)
    except ValueError:
        raise click.UsageError(f"{text!r} is no time; write 10:12:30 or 2031-03-14T10:12:30Z") from None
    return at + dt.timedelta(days=1) if at < after - dt.timedelta(hours=12) else at
