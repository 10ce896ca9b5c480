"""The flare as a sheet: bands, what they rest on, and what is not shown."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .evidence import Evidence
from .flare import FlareResult, FlareTrial, reduce_flare
from .present import say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of

NAME, TITLE = "flare", "What a flare takes from the glide of the landing configuration"
CAUTIONS = (
    "Never a go or no-go: a figure of this kind hurts when it is wrong. The programme's own plan, the authority and licensed practice decide.",
    "Ground effect, gusts, the elevator's reach and the pilot's timing are in none of these figures.",
    "A path steeper than the one measured needs more speed, not less; no figure is given outside the speeds measured.",
)


def sheet_of(result: FlareResult, settings: Settings) -> Sheet:
    """The sheet of a result."""
    statements = _statements(result, settings)
    tables = [_table(result)] if result.height.is_known else []
    figures = []
    if result.trials:
        tables.append(_trial_table(result.trials))
        figures.append(_figure(result.trials))
    return Sheet(
        NAME,
        TITLE,
        tuple(statements),
        tuple(figures),
        tuple(tables),
        (*CAUTIONS, *result.notes),
        result.missing,
        result.used,
        result.left_out,
    )


def _statements(result: FlareResult, settings: Settings) -> list[str]:
    out = []
    if result.height.is_known and result.configuration is not None:
        gear, flap = result.configuration
        out.append(
            f"From {say(result.speed, 'speed', settings)} ({result.speed_from}), gear {gear}, flap {flap}, sinking at {say(result.sink, 'vertical_speed', settings)} "
            f"({say(result.path_angle, 'angle', settings)} of path), a pull of {result.load_factor:g} g takes {say(result.height, 'length', settings)}, "
            f"{say(result.time, 'time', settings)} and costs {say(result.speed_lost, 'speed', settings, difference=True)} "
            f"(glides of the configuration: {result.points}, flights: {result.flights}; {result.propulsion})."
        )
        out.append(f"Speed where it is level: {say(result.speed_after, 'speed', settings)}.")
    if result.margin.is_known:
        out.append(
            f"Largest lift over the lift flown at its end: {say(result.margin, 'ratio', settings)}, from a stall speed of "
            f"{say(result.stall_speed, 'speed', settings)} at 1 g and standard mass."
        )
    if result.speed_outside is not None:
        low, high = result.speed_outside
        out.append(
            f"Not shown: {say(result.speed, 'speed', settings)} lies outside the speeds measured in this configuration ({say(low, 'speed', settings)} to {say(high, 'speed', settings)})."
        )
    out += [f"Not shown: {reason}." for reason in result.not_shown]
    if result.trials:
        off = np.array([t.predicted_height - t.measured_height for t in result.trials])
        least, middle, most = (
            say(float(v), "length", settings, difference=True) for v in np.quantile(off, [0, 0.5, 1])
        )
        out.append(
            f"Recorded flares compared: {len(result.trials)}; height by an arc of constant load factor less that flown: {middle} in the middle "
            f"({least} to {most}); they were flown with other power and on shallower paths."
        )
    return out


def _table(result: FlareResult) -> Table:
    columns = (
        Column("load_factor", "pull", "load_factor"), Column("speed", "from", "speed"), Column("sink", "sink", "vertical_speed"), Column("height", "height", "length"),
        Column("time", "time", "time"), Column("lost", "speed lost", "speed", difference=True), Column("after", "speed after", "speed"), Column("margin", "largest lift over lift flown", "ratio"),
    )  # fmt: skip
    row = (Cell(result.load_factor), Cell(result.speed), cell_of(result.sink), cell_of(result.height), cell_of(result.time),
           cell_of(result.speed_lost), cell_of(result.speed_after), cell_of(result.margin))  # fmt: skip
    return Table(
        "The flare",
        columns,
        (row,),
        f"at density ratio {result.density_ratio:.3f}; band 95 %; an empty cell is not shown, see above",
    )


def _trial_table(trials: tuple[FlareTrial, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("seconds", "flare", "time"), Column("before", "sink before", "vertical_speed"), Column("after", "sink at touchdown", "vertical_speed"),
        Column("predicted", "height by the arc", "length"), Column("measured", "height flown", "length"), Column("arc", "load factor by the arc", "load_factor"),
        Column("factor", "mean load factor", "load_factor"),
    )  # fmt: skip
    rows = tuple(
        (Cell(t.reference.sortie, origin=(t.reference,)), Cell(t.seconds), Cell(t.sink_before), Cell(t.sink_after), Cell(t.predicted_height),
         Cell(t.measured_height), Cell(t.arc_load_factor), Cell(t.measured_load_factor))
        for t in trials
    )  # fmt: skip
    return Table(
        "Recorded flares",
        columns,
        rows,
        "the arc: one load factor from the sink before to that at touchdown in the flare's own time",
    )


def _figure(trials: tuple[FlareTrial, ...]) -> Figure:
    points = Series(
        "flares",
        tuple(t.measured_height for t in trials),
        tuple(t.predicted_height for t in trials),
        "points",
        origin=tuple(t.reference for t in trials),
    )
    top = max(max(t.measured_height, t.predicted_height) for t in trials)
    return Figure("Height of recorded flares", Axis("flown", "length", True), Axis("by an arc of constant load factor", "length", True),
                  (points, Series("equal", (0.0, top), (0.0, top), "line")))  # fmt: skip


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_flare(evidence), evidence.settings)
