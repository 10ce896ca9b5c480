"""The sheet of engine speed against airspeed with the throttle closed."""

from __future__ import annotations

from ...shared.settings import Settings
from .calibration_sheet import speeds_inside
from .evidence import Evidence
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Sheet, Table, banded_curve, cell_of, dots
from .windmilling import GovernedLevel, WindmillingResult, reduce_windmilling


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    return sheet_of(reduce_windmilling(evidence), evidence.settings)


def sheet_of(result: WindmillingResult, settings: Settings) -> Sheet:
    """The result as sentences, picture and tables."""
    missing = () if result.line is not None else (
        "steady flight with the throttle closed at several airspeeds, with engine speed and true airspeed recorded",
    )  # fmt: skip
    return Sheet(
        "windmilling",
        "Engine speed with the throttle closed",
        statements=tuple(_statements(result, settings)),
        figures=_figures(result) if result.line is not None else (),
        tables=(_line_table(result, settings), _level_table(result)),
        cautions=(
            "Measured with the engine idling: without ignition or fuel a propeller turns slower. Stopping or restarting an "
            "engine in flight is a separate test under the programme's own plan.",
        ),
        missing=missing,
        used=(*result.origin, *(o for level in result.levels for o in level.origin)),
        left_out=result.left_out,
    )


def _statements(result: WindmillingResult, settings: Settings) -> list[str]:
    if result.line is None:
        return []
    middle = (result.slowest + result.fastest) / 2
    flights = result.blocks[result.blocks["on_line"]]["sortie"].nunique()
    out = [
        f"{'On the fine stop' if result.levels else 'With the throttle closed'} engine speed follows true airspeed: "
        f"{say(result.at(middle), 'rotation', settings)} at {say(middle, 'speed', settings)} true, measured from "
        f"{range_text(result.slowest, result.fastest, 'speed', settings)} in {counted(flights, 'flight')}."
    ]
    out += [_level_text(one, settings) for one in result.levels]
    if not result.levels:
        out.append("No speed held by a governor is seen with the throttle closed.")
    return out


def _level_text(one: GovernedLevel, settings: Settings) -> str:
    held = f"The governor held {say(one.speed, 'rotation', settings)} at {range_text(one.slowest, one.fastest, 'speed', settings)} true"
    if not one.inside:
        return f"{held}; the airspeed below which it cannot lies outside those measured on the fine stop and is not stated."
    return f"{held}; below {say(one.break_speed, 'speed', settings)} true it cannot, and the propeller stands on its fine stop."


def _figures(result: WindmillingResult) -> tuple[Figure, ...]:
    series = []
    for name, group in (
        ("on the fine stop" if result.levels else "throttle closed", result.blocks[result.blocks["on_line"]]),
        ("governed or changing", result.blocks[~result.blocks["on_line"]]),
    ):
        if len(group):
            series.append(dots(name, group["true_airspeed"], group["engine_speed"]))
    series.append(banded_curve("line through them", (result.slowest, result.fastest), result.at))
    return (
        Figure(
            "Engine speed with the throttle closed",
            Axis("true airspeed", "speed"),
            Axis("engine speed", "rotation"),
            tuple(series),
            "One mark per four steady seconds.",
        ),
    )


def _line_table(result: WindmillingResult, settings: Settings) -> Table:
    columns = (Column("speed", "true airspeed", "speed"), Column("rotation", "engine speed", "rotation"))
    rows: tuple[tuple[Cell, ...], ...] = ()
    if result.line is not None:
        rows = tuple(
            (Cell(speed), cell_of(result.at(speed), result.origin))
            for speed in speeds_inside(result.slowest, result.fastest, settings)
        )
    return Table(
        "On the fine stop" if result.levels else "Throttle closed", columns, rows, "Only inside the measured airspeeds."
    )


def _level_table(result: WindmillingResult) -> Table:
    columns = (
        Column("speed", "governed to", "rotation"),
        Column("slowest", "seen from", "speed"),
        Column("fastest", "to", "speed"),
        Column("break", "cannot below (true)", "speed"),
        Column("blocks", "four-second looks", "count"),
    )
    rows = tuple(
        (
            cell_of(one.speed, one.origin), Cell(one.slowest), Cell(one.fastest),
            cell_of(one.break_speed, one.origin) if one.inside else Cell(None), Cell(one.blocks),
        )
        for one in result.levels
    )  # fmt: skip
    return Table("Held by the governor", columns, rows)
