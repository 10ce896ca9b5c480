"""The sheet of the points to fly next."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .evidence import Evidence
from .expectation import Expectations, expect_glides
from .next_points import NextPointsResult, propose_points
from .present import counted, range_text, say
from .sheet import Cell, Column, Sheet, Table, cell_of

CAUTION = (
    "A proposal for the responsible person to check and sign: it knows the limits written in the settings and "
    "nothing else. Envelope steps come from the programme's own plan, the authority and licensed practice."
)


def run(evidence: Evidence) -> Sheet:
    """The proposals and their sheet."""
    count = evidence.options.get("count", 8.0)
    result = propose_points(evidence, max(1, int(float(count))))
    expected = expect_glides(evidence, [(one.condition, one.airspeed) for one in result.points])
    return sheet_of(result, expected, evidence.settings)


def sheet_of(result: NextPointsResult, expected: Expectations, settings: Settings) -> Sheet:
    """The proposals and what to expect of each as sentences and a table, in the order to be flown."""
    lines = [
        f"{one.condition.words}: {say(what.airspeed, 'speed', settings)} CAS ({one.reason})"
        for one, what in zip(result.points[:3], expected.each, strict=False)
    ]
    statements = [
        f"{line}, {lines.count(line)} times." if lines.count(line) > 1 else f"{line}." for line in dict.fromkeys(lines)
    ]
    if result.points:
        statements.insert(0, f"{counted(len(result.points), 'point')} proposed, in build-up order; the first of them:")
    return Sheet(
        "next",
        "Points to fly next",
        statements=tuple(statements),
        tables=(_proposals(result, expected, settings),),
        cautions=(CAUTION,),
        missing=() if result.points else ("glide points in a known configuration with a known mass",),
        used=result.used,
        left_out=result.left_out,
    )


def _proposals(result: NextPointsResult, expected: Expectations, settings: Settings) -> Table:
    columns = (
        Column("gear", "gear"),
        Column("flap", "flap"),
        Column("propulsion", "propulsion"),
        Column("propeller", "propeller"),
        Column("airspeed", "calibrated airspeed", "speed"),
        Column("indicated", "indicated", "speed"),
        Column("allowed", "proposed only between"),
        Column("bounds", "bounded by"),
        Column("reason", "why"),
        Column("half_width_now", "band of sink now ±", "vertical_speed", difference=True),
        Column("half_width_then", "with this point ±", "vertical_speed", difference=True),
        Column("expected_sink", "sink to expect", "vertical_speed"),
        Column("expected_engine_speed", "engine speed to expect", "rotation"),
        Column("not_expected", "no sink told because"),
    )
    rows = tuple(
        (
            Cell(one.condition.gear), Cell(one.condition.flap), Cell(one.condition.propulsion), Cell(one.condition.propeller),
            Cell(what.airspeed),
            Cell(one.indicated), Cell(range_text(one.lowest, one.highest, "speed", settings)), Cell(one.bounds),
            Cell(one.reason), _known(one.half_width_now), _known(one.half_width_then),
            cell_of(what.sink), cell_of(what.engine_speed), Cell(what.reason),
        )
        for one, what in zip(result.points, expected.each, strict=True)
    )  # fmt: skip
    return Table(
        "Proposed points",
        columns,
        rows,
        f"Bands: k = 2, of the sink the fit of that condition predicts there, repeats alone. {stated_text(expected, settings)}",
    )


def stated_text(expected: Expectations, settings: Settings) -> str:
    """What the expected sinks hold for."""
    if not any(one.sink.is_known for one in expected.each):
        return "No sink to expect has been measured yet."
    return (
        f"Sinks to expect hold for one glide, wings level in still air, at {say(expected.mass, 'mass', settings)} and "
        f"{say(expected.density_altitude, 'altitude', settings)} density altitude."
    )


def _known(value: float) -> Cell:
    return Cell(None if np.isnan(value) else value)
