"""`trimshot fetch`: the samples of found stretches, or of the points."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..frames import emit_grid, write_grid
from ..grid import grid_of_frame
from .listings import parse_config
from .options import Duration, narrowing_of, narrowing_options, output_options, programme_of, programme_option

if TYPE_CHECKING:
    import pandas as pd

    from ...store.fetch import FetchResult
    from ...store.programme import Programme

_POINT_CHANNELS = "calibrated_airspeed,pressure_altitude,sink_rate,engine_speed"
_FORMS_OF_FILES = ("csv", "json", "parquet", "xlsx")


@click.command()
@click.argument("condition", required=False)
@click.option("--points", "of_points", is_flag=True, help="The stabilised points instead of a condition's stretches.")
@click.option("--channels", metavar="A,B", help="Channels to fetch; default: those `trimshot find` tells means of.")
@click.option("--margin", type=Duration(), default="0", metavar="DURATION", help="So much before and after, too.")
@click.option("--at-least", type=Duration(), metavar="DURATION", help="Shortest stretch taken, for example 10s.")
@click.option("--join", type=Duration(), metavar="DURATION", help="Join stretches closer than this, for example 2s.")
@narrowing_options
@click.option("--sortie", help="This sortie alone.")
@click.option("--config", help='With --points: a configuration, for example "gear=down flap=full".')
@click.option("--kind", help="With --points: glide, level, climb, descent or turn.")
@click.option("--means", is_flag=True, help="One row per stretch: mean, deviation, low, high, first, last.")
@click.option("--si", is_flag=True, help="SI units instead of the display units.")
@click.option("--each", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help="A file per stretch.")
@output_options
@programme_option
@click.pass_context
def fetch(ctx: click.Context, /, condition: str | None, form: str, out: Path | None, **asked: Any) -> None:
    """Fetch the samples of every stretch where CONDITION holds, or of every point.

    One row per sample, with the number of its stretch; `inside` is false in the margin. CONDITION as
    in `trimshot find`, or `@NAME` for a saved one.

        trimshot fetch "gear = 'down'" --channels calibrated_airspeed,pitch --margin 5s --out gear_down.parquet
    """
    if (condition is None) == (not asked["of_points"]):
        raise click.UsageError("name either a CONDITION or --points")
    if asked["each"] is not None and (out is not None or asked["means"] or form not in ("table", *_FORMS_OF_FILES)):
        raise click.UsageError("--each FOLDER goes with --format alone")
    handle = programme_of(ctx, asked["programme"])
    result = _stretches(handle, condition, asked) if condition is not None else _points(handle, asked)
    settings = None if asked["si"] else handle.settings
    about = _about(handle, condition, result)
    if asked["each"] is not None:
        _write_each(result, asked["each"], "csv" if form == "table" else form, (settings, about))
        return
    grid = grid_of_frame(_shown(result.frame, form), settings)
    emit_grid(grid, form, out, note=_note(result), about=about)


def _stretches(handle: Programme, condition: str, asked: dict[str, Any]) -> FetchResult:
    restrictions = {"at_least_s": asked["at_least"], "join_s": asked["join"], "sortie": asked["sortie"]}
    given = {key: value for key, value in restrictions.items() if value is not None}
    if asked["within"] or asked["after"] or asked["before"]:
        given["narrowed"] = narrowing_of(asked["within"], asked["after"], asked["before"])
    if not asked["means"]:
        return handle.fetch(condition, _names(asked["channels"]), margin_s=asked["margin"], **given)
    found = handle.find(condition, **given)
    from ...store.fetch import channels_of

    result = handle.summarise(found.frame, _names(asked["channels"]) or channels_of(found.frame))
    return dataclasses.replace(result, considered=found.considered, left_out=found.left_out)


def _points(handle: Programme, asked: dict[str, Any]) -> FetchResult:
    points = handle.points(asked["sortie"], parse_config(asked["config"]), kind=asked["kind"])
    names = _names(asked["channels"] or _POINT_CHANNELS)
    if asked["means"]:
        return handle.summarise(points, names)
    return handle.fetch_stretches(points, names, margin_s=asked["margin"])


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(part.strip() for part in (text or "").split(",") if part.strip())


def _shown(frame: pd.DataFrame, form: str) -> pd.DataFrame:
    """The frame; for people without the columns that only programs need."""
    return frame.drop(columns=["gap", "t"], errors="ignore") if form == "table" else frame


def _missing(result: FetchResult) -> dict[str, str]:
    return {name: ", ".join(sorties) for name, sorties in result.missing.items()}


def _about(handle: Programme, condition: str | None, result: FetchResult) -> dict[str, Any]:
    """What a file says of itself beside the samples."""
    if condition is None:
        return {"stretches": len(result.stretches), "not recorded": _missing(result)}
    return {
        "condition": handle.condition(condition),
        "stretches": len(result.stretches),
        "considered": result.considered,
        "left out": dict(result.left_out or {}),
        "not recorded": _missing(result),
    }


def _note(result: FetchResult) -> str:
    sorties = result.stretches["sortie"].nunique()
    note = f"{len(result.stretches)} stretches in {sorties} sorties"
    if result.left_out is not None:
        note += f", {len(result.considered)} considered"
    lines = [note]
    lines += [f"left out {name}: {reason}" for name, reason in (result.left_out or {}).items()]
    lines += [f"{name} is not recorded in {sorties}" for name, sorties in _missing(result).items()]
    return "\n".join(lines)


def _write_each(result: FetchResult, folder: Path, form: str, with_: tuple[Any, dict[str, Any]]) -> None:
    settings, about = with_
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for (number, sortie), rows in result.frame.groupby(["stretch", "sortie"], sort=False):
        rows.attrs.update(result.frame.attrs)
        path = folder / f"{sortie}-{number:04d}.{form}"
        write_grid(grid_of_frame(rows, settings), form, path, about)
        count += 1
    click.echo(f"{count} files written to {folder}")
    click.echo(_note(result))
