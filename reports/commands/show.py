"""`trimshot show`: a sortie's time line in the terminal."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..display import display_unit, number, shown, side_text
from ..listing import clock_time
from ..records import event_records, point_records
from ..timeline import Stretch, curve, lane, numbers, scale
from .listings import band_text
from .options import programme_of, programme_option

if TYPE_CHECKING:
    from ...store.programme import Programme

_LANES = ("phase", "gear", "flap", "power", "propulsion")
_CURVES = ("indicated_airspeed", "pressure_altitude", "engine_speed")
_NAME = 12


@click.command()
@click.argument("sortie")
@click.option("--events/--no-events", "with_events", default=True, help="List the events below the lanes.")
@programme_option
@click.pass_context
def show(ctx: click.Context, sortie: str, with_events: bool, programme: Path | None) -> None:
    """Draw SORTIE's phases, states, points and events over time."""
    handle = programme_of(ctx, programme)
    click.echo("\n".join(time_line(handle, sortie, shutil.get_terminal_size((110, 40)).columns)))
    click.echo()
    for point in point_records(handle, sortie, None, refused=False):
        click.echo(
            f"  {point['number']:>2}  {point['start_utc'][11:19]}  {point['duration_s']:5.0f} s  {point['kind']:<8}"
            f" gear {point['gear']:<8} flap {point['flap']:<8} {band_text(point, 'calibrated_airspeed'):>16}"
            f"  sink {band_text(point, 'sink_rate')}{_of_it_air(point)}"
        )
    if with_events:
        click.echo()
        for event in event_records(handle, sortie, None):
            change = (
                f"{side_text(event['before'], event['unit'])} → {side_text(event['after'], event['unit'])}"
                if event["before"] is not None
                else ""
            )
            click.echo(
                f"  {clock_time(event['time_utc'])}  {event['kind']:<16} {change}  (± {number(event['uncertainty_s'], 's')} s)"
            )


def _of_it_air(point: Mapping[str, Any]) -> str:
    """The part of the sink's band that the air's rise and fall makes."""
    air = point["statistics"].get("vertical_air_motion")
    if air is None or air["standard_error"] is None:
        return ""
    return f" (of it air ± {number(2 * air['standard_error'], air['unit'])})"


def time_line(handle: Programme, sortie: str, columns: int) -> list[str]:
    """The lanes, curves and point numbers of a sortie, each line at most `columns` wide."""
    points = handle.points(sortie)  # raises UnknownSortieError with the names there are
    row = handle.sorties().set_index("sortie").loc[sortie]
    width = max(40, columns - _NAME - 1)
    stop_s = float(row["duration_s"])
    start = row["start_utc"]
    states = handle.states(sortie)
    lines = [f"{sortie}   {start:%Y-%m-%d %H:%M:%S} UTC, {stop_s / 60:.0f} min, {len(points)} points"]
    marks = [Stretch(p.start_s, p.stop_s, str(p.number)) for p in points.itertuples()]
    lines.append(_named("points", numbers(marks, stop_s, width)))
    for name in _LANES:
        chosen = states[states["channel"] == name]
        if len(chosen) and set(chosen["value"]) != {"unknown"}:
            lines.append(
                _named(name, lane([Stretch(s.start_s, s.stop_s, s.value) for s in chosen.itertuples()], stop_s, width))
            )
    lines += _curves(handle, sortie, stop_s, width)
    lines.append(_named("UTC", scale(start.hour * 60 + start.minute + start.second / 60, stop_s, width)))
    return lines


def _curves(handle: Programme, sortie: str, stop_s: float, width: int) -> list[str]:
    held = set(handle.channels(sortie)["channel"])
    wanted = [name for name in _CURVES if name in held]
    samples = handle.samples(sortie, wanted)
    settings = handle.settings
    lines = []
    for name in wanted:
        values = samples[name].to_numpy(float)
        unit = display_unit(name, settings)
        lines.append(_named(name.split("_")[-1], curve(samples["t"].to_numpy(float), values, stop_s, width)))
        low, high = (number(shown(float(v), name, settings), unit) for v in (samples[name].min(), samples[name].max()))
        lines[-1] += f"\n{'':{_NAME}} {low} to {high} {unit}"
    return lines


def _named(name: str, text: str) -> str:
    return f"{name:>{_NAME}} {text}"
