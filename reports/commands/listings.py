"""`trimshot sorties`, `channels`, `points`, `events`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..absent import tell_absent
from ..display import number, side_text, with_band
from ..listing import TableColumn, emit, minute_text, second_text
from ..point_bands import bands_note, whole_band
from ..records import brief_point_records, event_records, frame_records, point_records, with_rows
from .options import output_options, programme_of, programme_option, sortie_choice

if TYPE_CHECKING:
    from ...store.programme import Programme

_STATES = ("gear", "flap", "power", "propulsion")
_SHOWN = ("calibrated_airspeed", "pressure_altitude", "sink_rate", "engine_speed")  # of a point, in the table


@click.command()
@output_options
@programme_option
@click.pass_context
def sorties(ctx: click.Context, form: str, out: Path | None, programme: Path | None) -> None:
    """List the sorties of the programme."""
    handle = programme_of(ctx, programme)
    records = frame_records(handle.sorties(), handle.settings)
    cells = [
        {
            "sortie": r["sortie"],
            "start": minute_text(r["start_utc"]),
            "length": f"{r['duration_s'] / 60:.0f} min",
            "aircraft": r["aircraft"] or "–",
            "points": str(r["points"]),
            "refused": str(r["refused"]),
            "events": str(r["events"]),
            "doubts": str(r["doubts"] + r["faults"]),
            "now": "" if r["settings_current"] else "older settings",
        }
        for r in records
    ]
    columns = _columns(
        "sortie", "start:start UTC", "length>", "aircraft", "points>", "refused>", "events>", "doubts>", "now:"
    )
    emit(
        records,
        form,
        out=out,
        columns=columns,
        cells=cells,
        note=_or_none(records, "no sorties yet: trimshot add FOLDER"),
    )


@click.command()
@sortie_choice("Channels")
@output_options
@programme_option
@click.pass_context
def channels(ctx: click.Context, sortie: str | None, form: str, out: Path | None, programme: Path | None) -> None:
    """List the channels, of SORTIE or of all: name, unit, the header they came from, samples and missing values."""
    handle = programme_of(ctx, programme)
    frame = handle.channels(sortie)
    records: list[dict[str, Any]] = [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]
    cells = [
        {
            "sortie": r["sortie"],
            "track": r["track"],
            "channel": r["channel"],
            "unit": _word(r["unit"]),
            "header": _word(r["header"]),
            "written": _word(r["unit_as_written"]),
            "samples": str(r["samples"]),
            "missing": str(r["samples"] - r["valid"]),
        }
        for r in records
    ]
    columns = _columns(
        "sortie",
        "track",
        "channel",
        "unit:unit (SI)",
        "header:header as written",
        "written:unit as written",
        "samples>",
        "missing>",
    )
    emit(records, form, out=out, columns=columns, cells=cells, note=_or_none(records, "no channels"))


@click.command()
@sortie_choice("Points")
@click.option("--config", help='Configuration, for example "gear=down flap=full".')
@click.option("--kind", help="glide, level, climb, descent or turn.")
@click.option("--refused", is_flag=True, help="The refused candidates, each with its reasons, instead of the points.")
@output_options
@programme_option
@click.pass_context
def points(
    ctx: click.Context,
    sortie: str | None,
    config: str | None,
    kind: str | None,
    refused: bool,
    form: str,
    out: Path | None,
    programme: Path | None,
) -> None:
    """List the stabilised points, of SORTIE or of all, with their statistics (± k = 2, calibration included)."""
    handle = programme_of(ctx, programme)
    wanted = parse_config(config)
    if form == "table":
        records = brief_point_records(handle, sortie, wanted, _SHOWN, refused=refused, kind=kind)
    else:  # every statistic, and the way back to the files' lines, for programs
        records = point_records(handle, sortie, wanted, refused=refused, kind=kind)
        records = with_rows(records, handle, sortie)
    cells = [_point_cells(r) for r in records]
    columns = _columns(
        "sortie", "number:no.>", "start:start UTC", "length:s>", "kind", "gear", "flap", "propulsion",
        "speed:calibrated airspeed>", "altitude:pressure altitude>", "sink:sink (energy-corrected)>", "rpm:engine speed>",
        "why:why refused" if refused else "score>",
    )  # fmt: skip
    word = "refused candidates" if refused else "points"
    note = f"{len(records)} {word} in {len({r['sortie'] for r in records})} sorties"
    if not records:
        note += tell_absent(handle, "points", {"kind": kind, **(wanted or {})})
    else:
        note += "\n" + bands_note(handle.settings) + _judged_note(handle, sortie)
    emit(
        records,
        form,
        out=out,
        columns=columns,
        cells=cells,
        note=note,
    )


@click.command()
@sortie_choice("Events")
@click.option("--kind", help="A kind or its beginning: gear, flap_change, power, rpm_command, liftoff, touchdown ...")
@output_options
@programme_option
@click.pass_context
def events(
    ctx: click.Context, sortie: str | None, kind: str | None, form: str, out: Path | None, programme: Path | None
) -> None:
    """List what happened, in SORTIE or in all: gear, flap, RPM and power changes, lift-off, touchdown and more."""
    handle = programme_of(ctx, programme)
    records = event_records(handle, sortie, kind)
    cells = [
        {
            "sortie": r["sortie"],
            "time": second_text(r["time_utc"]),
            "takes": number(r["duration_s"], "s"),
            "kind": r["kind"],
            "before": side_text(r["before"], r["unit"]),
            "after": side_text(r["after"], r["unit"]),
            "confidence": f"{r['confidence']:.2f}",
            "uncertainty": number(r["uncertainty_s"], "s"),
            "channel": r["channel"],
        }
        for r in records
    ]
    columns = _columns(
        "sortie",
        "time:time UTC",
        "takes:takes s>",
        "kind",
        "before",
        "after",
        "confidence>",
        "uncertainty:± s>",
        "channel:from",
    )
    note = f"{len(records)} events"
    if not records:
        note += tell_absent(handle, "events", {"kind": kind})
    emit(records, form, out=out, columns=columns, cells=cells, note=note)


def parse_config(text: str | None) -> dict[str, str] | None:
    """'gear=down flap=full' -> {'gear': 'down', 'flap': 'full'}."""
    if not text:
        return None
    out: dict[str, str] = {}
    for part in text.replace(",", " ").split():
        name, mark, value = part.partition("=")
        if not mark or name not in _STATES or not value:
            raise click.BadParameter(
                f"{part!r} is not a configuration; write for example gear=down flap=full (of {', '.join(_STATES)})",
                param_hint="--config",
            )
        out[name] = value
    return out


def _point_cells(r: Mapping[str, Any]) -> dict[str, str]:
    return {
        "sortie": r["sortie"],
        "number": str(r["number"]),
        "start": second_text(r["start_utc"]),
        "length": number(r["duration_s"], "s"),
        "kind": r["kind"],
        "gear": r["gear"],
        "flap": r["flap"],
        "propulsion": r["propulsion"],
        "speed": band_text(r, "calibrated_airspeed"),
        "altitude": band_text(r, "pressure_altitude"),
        "sink": band_text(r, "sink_rate"),
        "rpm": band_text(r, "engine_speed"),
        "score": number(r["score"], None),
        "why": "; ".join(str(reason["text"]) for reason in r["reasons"]),
    }


def _judged_note(handle: Programme, sortie: str | None) -> str:
    """That people judged some of it, where they did: the list is of what was found."""
    from ...store.marks import marks_in_force

    count = len(marks_in_force(handle.marks(sortie)))
    if not count:
        return ""
    word = "judgement of people is" if count == 1 else "judgements of people are"
    return f"\nas found: {count} {word} kept beside it (`trimshot mark SORTIE` lists them, `reduce --judged` uses them)"


def band_text(record: Mapping[str, Any], channel: str) -> str:
    """A channel's mean over a point with its band (k = 2, calibration included) and its unit, or a dash."""
    one = record["statistics"].get(channel)
    if one is None or one["mean"] is None:
        return "–"
    return f"{with_band(one['mean'], whole_band(one), one['unit'])} {one['unit']}"


def _columns(*words: str) -> list[TableColumn]:
    """'key', 'key:head', a '>' at the end aligns right."""
    out = []
    for word in words:
        align = "right" if word.endswith(">") else "left"
        key, mark, head = word.rstrip(">").partition(":")
        out.append(TableColumn(head if mark else key, key, align))
    return out


def _word(value: Any) -> str:
    """A word of a frame, whose empty cells may be None or NaN."""
    return value if isinstance(value, str) and value else "–"


def _or_none(records: list[dict[str, Any]], text: str) -> str | None:
    return None if records else text
