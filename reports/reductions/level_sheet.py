"""The sheet of level speed and power."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .calibration_sheet import speeds_inside
from .evidence import Evidence
from .level import LEAST_SPAN, LevelFit, LevelResult, reduce_level
from .present import counted, say
from .sheet import Axis, Cell, Column, Figure, Sheet, Table, banded_curve, cell_of, dots


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    return sheet_of(reduce_level(evidence), evidence.settings)


def sheet_of(result: LevelResult, settings: Settings) -> Sheet:
    """The result as sentences, picture and tables."""
    cautions = (
        (
            "Fuel flow stands for power here: mixture and engine speed change what a litre gives. Only points at one engine speed are compared.",
            "The fuel meter's own error is in no band: compare it with what is filled in.",
        )
        if result.fits
        else ()
    )
    return Sheet(
        "level",
        "Level flight: fuel flow against airspeed",
        statements=tuple(_statement(one, result.standard_mass, settings) for one in result.fits),
        figures=(_figure(result),) if result.fits else (),
        tables=(_table(result, settings),) if result.fits else (),
        cautions=cautions,
        missing=()
        if result.fits
        else (
            f"five level points over {say(LEAST_SPAN, 'speed', settings)} at one engine speed, with fuel flow, mass and air temperature",
            "aircraft.governed_propeller = false in the settings, where the propeller is of fixed pitch: its engine speeds are then one curve",
        ),
        used=tuple(origin for one in result.fits for origin in one.origin),
        left_out=result.left_out,
        facts={"standard_mass_kg": result.standard_mass},
    )


def _statement(one: LevelFit, mass: float, settings: Settings) -> str:
    middle = float(np.median(one.speed))
    text = (
        f"{one.words}: {say(one.at(middle), one.quantity, settings)} at {say(middle, 'speed', settings)}, "
        f"{say(mass, 'mass', settings)} and sea-level density ({counted(len(one.points), 'point')}, {counted(one.points['sortie'].nunique(), 'flight')})"
    )
    if one.least_per_distance_speed.is_known:
        text += f"; least fuel per distance at {say(one.least_per_distance_speed, 'speed', settings)}"
    if one.least_power_speed.is_known:
        text += f"; least fuel per time at {say(one.least_power_speed, 'speed', settings)}"
    if not one.least_per_distance_speed.is_known:
        text += "; the airspeed of least fuel per distance is not among those flown"
    return f"{text}."


def _figure(result: LevelResult) -> Figure:
    series = []
    for one in result.fits:
        span = (float(one.speed.min()), float(one.speed.max()))
        series += [
            dots(one.words, one.speed, one.index, origin=one.origin),
            banded_curve(f"{one.words}, fitted", span, one.at, pair=one.words),
        ]
    return Figure(
        "Fuel flow for level flight at standard mass and sea-level density",
        Axis("equivalent airspeed at standard mass", "speed"),
        Axis("fuel flow", result.fits[0].quantity),
        tuple(series),
        "At height divide fuel flow by the root of the density ratio at the same equivalent airspeed. Dots are as flown, climb or sink left in.",
    )


def _table(result: LevelResult, settings: Settings) -> Table:
    quantity = result.fits[0].quantity if result.fits else "volume_flow"
    columns = (
        Column("condition", "configuration"),
        Column("speed", "airspeed", "speed"),
        Column("flow", "fuel flow", quantity),
    )
    rows = tuple(
        (Cell(one.words), Cell(speed), cell_of(one.at(speed), one.origin))
        for one in result.fits
        for speed in speeds_inside(float(one.speed.min()), float(one.speed.max()), settings)
        if one.at(speed).is_known
    )
    return Table(
        "Fuel flow by airspeed", columns, rows, "At standard mass and sea-level density, inside the airspeeds flown."
    )
