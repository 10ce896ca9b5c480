"""The sheet of the rate of climb."""

from __future__ import annotations

from functools import partial

import numpy as np

from ...shared.settings import Settings
from ...shared.units import from_si, to_si
from .climb import ClimbFit, ClimbResult, reduce_climb
from .evidence import Evidence
from .excess_power import ExcessPowerResult, reduce_excess_power
from .excess_power_sheet import figure_of, statements_of, tables_of
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Sheet, Table, banded_curve, cell_of, dots

NEEDED = (
    "three climbs at full power in one configuration, or a long level acceleration at full power, with a known mass"
)


def run(evidence: Evidence) -> Sheet:
    """The reductions of climbs and of level accelerations, and their sheet."""
    return sheet_of(reduce_climb(evidence), evidence.settings, reduce_excess_power(evidence))


def sheet_of(result: ClimbResult, settings: Settings, accelerations: ExcessPowerResult | None = None) -> Sheet:
    """The results as sentences, pictures and tables."""
    curves = accelerations.curves if accelerations else ()
    figures = _figures(result) if result.fits else ()
    return Sheet(
        "climb",
        "Rate of climb at full power",
        statements=(
            *(_statement(one, settings) for one in result.fits),
            *statements_of(curves, result.fits, settings),
        ),
        figures=(*figures, figure_of(curves, result.fits, settings)) if curves else figures,
        tables=(
            *((_table(result, settings), _speeds(result, settings)) if result.fits else ()),
            *tables_of(curves, settings),
        ),
        missing=() if result.fits or curves else (NEEDED,),
        used=(
            *(origin for one in result.fits for origin in one.origin),
            *(one for curve in curves for one in curve.used),
        ),
        left_out=(*result.left_out, *(accelerations.left_out if accelerations else ())),
        facts={"standard_mass_kg": result.standard_mass},
    )


def _statement(one: ClimbFit, settings: Settings) -> str:
    speed, height = one.centre
    text = (
        f"{one.condition.configuration}{_turning(one, settings)}: {say(one.at(speed, height), 'vertical_speed', settings)} at "
        f"{say(speed, 'speed', settings)} and {say(height, 'altitude', settings)} density altitude "
        f"({counted(len(one.points), 'climb')}, {counted(one.points['sortie'].nunique(), 'flight')})"
    )
    if one.best_rate_speed.is_known:
        text += f"; best rate at {say(one.best_rate_speed, 'speed', settings)}"
    if one.best_angle_speed.is_known:
        text += f"; best angle at {say(one.best_angle_speed, 'speed', settings)}"
    return f"{text}; {one.not_stated}." if one.not_stated else f"{text}."


def _turning(one: ClimbFit, settings: Settings) -> str:
    """', 2700 rpm' where the climbs' engine speed is known."""
    known = one.points["engine_speed"].dropna() if "engine_speed" in one.points else one.rate[:0]
    return f", {say(float(np.median(known)), 'rotation', settings)}" if len(known) else ""


def _figures(result: ClimbResult) -> tuple[Figure, ...]:
    series = []
    for one in result.fits:
        name = one.condition.configuration
        height = one.points["density_altitude"].to_numpy(dtype=np.float64)
        half = 2 * np.nan_to_num(one.points["sink_rate_error"].to_numpy(dtype=np.float64))
        series.append(dots(name, height, one.rate, half=half, origin=one.origin))
        if np.ptp(height) > 100:
            span = (float(height.min()), float(height.max()))
            speed = one.centre[0]
            curve = banded_curve(f"{name}, fitted", span, partial(one.at, speed), steps=15, pair=name)
            series.append(curve)
    return (
        Figure(
            "Rate of climb at standard mass",
            Axis("density altitude", "altitude"),
            Axis("rate of climb", "vertical_speed"),
            tuple(series),
            "Corrected for speed change, temperature and mass; the curve holds at the mean airspeed of the climbs.",
        ),
    )


def _table(result: ClimbResult, settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("height", "density altitude", "altitude"),
        Column("speed", "at", "speed"),
        Column("rate", "rate of climb", "vertical_speed"),
    )
    rows = tuple(
        (
            Cell(one.condition.configuration),
            Cell(height),
            Cell(one.centre[0]),
            cell_of(one.at(one.centre[0], height), one.origin),
        )
        for one in result.fits
        for height in _heights(one, settings)
    )
    return Table("Rate of climb by height", columns, rows, "At standard mass, inside the heights flown.")


def _heights(one: ClimbFit, settings: Settings) -> list[float]:
    unit = settings.display_unit("altitude")
    step = 1000.0 if unit == "ft" else 300.0
    low, high = (
        from_si(float(v), unit) for v in (one.points["density_altitude"].min(), one.points["density_altitude"].max())
    )
    return [float(to_si(float(v), unit)) for v in np.arange(np.ceil(low / step) * step, high, step)] or [one.centre[1]]


def _speeds(result: ClimbResult, settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("flown", "airspeeds flown"),
        Column("best_rate", "best rate at", "speed"),
        Column("best_angle", "best angle at", "speed"),
        Column("why", "where not stated"),
    )
    rows = tuple(
        (
            Cell(one.condition.configuration),
            Cell(range_text(float(one.points["calibrated_airspeed"].min()), float(one.points["calibrated_airspeed"].max()), "speed", settings)),
            cell_of(one.best_rate_speed, one.origin), cell_of(one.best_angle_speed, one.origin), Cell(one.not_stated),
        )
        for one in result.fits
    )  # fmt: skip
    return Table("Best airspeeds", columns, rows)
