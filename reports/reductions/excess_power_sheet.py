"""What the sheet of the climb shows of level accelerations: sentences, a picture and tables."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .calibration_sheet import round_speeds
from .climb import ClimbFit
from .excess_power import Best, Comparison, ExcessCurve, compare_with_climbs
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Table, banded_curve, cell_of, dots

NOTE = (
    "At standard mass, from the rate at which height and speed together rose at full power. The air of each run is in the "
    "band; the induced drag's share of a change of mass is not taken out."
)


def statements_of(curves: tuple[ExcessCurve, ...], fits: tuple[ClimbFit, ...], settings: Settings) -> tuple[str, ...]:
    """One sentence a curve, then one for each pair of accelerations and climbs that can be compared."""
    return (
        *(_statement(one, settings) for one in curves),
        *(_comparison(one, settings) for one in compare_with_climbs(curves, fits)),
    )


def configuration_of(one: ExcessCurve, settings: Settings) -> str:
    """'gear up, flap up, 2410 rpm'; without engine speed where none is recorded."""
    text = f"gear {one.gear}, flap {one.flap}"
    low, high = one.engine_speed
    if not np.isfinite(low):
        return text
    if high - low <= 0.03 * low:
        return f"{text}, {say((low + high) / 2, 'rotation', settings)}"
    return f"{text}, {range_text(low, high, 'rotation', settings)}"


def _statement(one: ExcessCurve, settings: Settings) -> str:
    rate, angle = _bests(one, settings)
    middle = sum(one.speeds) / 2
    at = rate.speed.value if rate.speed.is_known else middle
    text = (
        f"Level accelerations, {configuration_of(one, settings)}: {say(one.at(at), 'vertical_speed', settings)} at "
        f"{say(rate.speed if rate.speed.is_known else middle, 'speed', settings)} and "
        f"{say(one.density_altitude, 'altitude', settings)} density altitude "
        f"({counted(len(one.runs), 'acceleration')}, {counted(one.flights, 'flight')})"
    )
    text += ", the best rate" if rate.speed.is_known else f"; {_not_stated('best rate', rate, one, settings)}"
    text += (
        f"; best angle at {say(angle.speed, 'speed', settings)}"
        if angle.speed.is_known
        else f"; {_not_stated('best angle', angle, one, settings)}"
    )
    return f"{text}."


def _not_stated(what: str, best: Best, curve: ExcessCurve, settings: Settings) -> str:
    """'best rate at or below 95 kt (the slowest flown is 86 kt)', or why nothing is stated."""
    if np.isfinite(best.at_most):
        return f"{what} at or below {say(best.at_most, 'speed', settings)} (slowest flown {say(curve.speeds[0], 'speed', settings)})"
    if np.isfinite(best.at_least):
        return f"{what} at or above {say(best.at_least, 'speed', settings)} (fastest flown {say(curve.speeds[1], 'speed', settings)})"
    return f"{what} not stated: {best.why}"


def _comparison(one: Comparison, settings: Settings) -> str:
    gap = one.difference
    verdict = "agree" if gap.low <= 0 <= gap.high else "do not agree"
    return (
        f"Accelerations and climbs {verdict}, {configuration_of(one.curve, settings)}, at {say(one.speed, 'speed', settings)}: "
        f"{say(one.accelerated, 'vertical_speed', settings)} against {say(one.climbed, 'vertical_speed', settings)}."
    )


def _bests(one: ExcessCurve, settings: Settings) -> tuple[Best, Best]:
    return one.best_rate(settings.airspeed_uncertainty), one.best_angle(settings.airspeed_uncertainty)


def figure_of(curves: tuple[ExcessCurve, ...], fits: tuple[ClimbFit, ...], settings: Settings) -> Figure:
    """Rate of climb against airspeed: blocks of the accelerations, the curves through them, comparable climbs."""
    series = []
    for one in curves:
        name = f"{configuration_of(one, settings)}, {say(one.density_altitude, 'altitude', settings)}"
        speed, rate = (np.concatenate([getattr(run, part) for run in one.runs]) for part in ("speed", "rate"))
        series.append(dots(name, speed, rate))
        series.append(banded_curve(f"{name}, fitted", one.speeds, one.at, pair=name))
    for pair in compare_with_climbs(curves, fits):
        half = [pair.climbed.half_width]
        name = f"steady climbs, {pair.fit.condition.configuration}"
        series.append(dots(name, [pair.speed], [pair.climbed.value], half=half, origin=pair.fit.origin[:1]))
    return Figure(
        "Rate of climb from level accelerations",
        Axis("calibrated airspeed", "speed"),
        Axis("rate of climb", "vertical_speed"),
        tuple(series),
        "Each mark is two seconds of an acceleration.",
    )


def tables_of(curves: tuple[ExcessCurve, ...], settings: Settings) -> tuple[Table, ...]:
    """Rate and angle of climb by airspeed, and the best airspeeds."""
    return (_by_speed(curves, settings), _best_speeds(curves, settings)) if curves else ()


def _by_speed(curves: tuple[ExcessCurve, ...], settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("height", "density altitude", "altitude"),
        Column("speed", "at", "speed"),
        Column("rate", "rate of climb", "vertical_speed"),
        Column("angle", "angle of climb", "angle"),
    )
    rows = tuple(
        (
            Cell(configuration_of(one, settings)), Cell(one.density_altitude), Cell(speed),
            cell_of(one.at(speed), one.used), cell_of(one.angle_at(speed), one.used),
        )
        for one in curves
        for speed in _grid(one, settings)
    )  # fmt: skip
    return Table("From level accelerations", columns, rows, NOTE)


def _grid(one: ExcessCurve, settings: Settings) -> list[float]:
    step = {"m/s": 5.0, "km/h": 20.0}.get(settings.display_unit("speed"), 10.0)
    return round_speeds(*one.speeds, settings, step)


def _best_speeds(curves: tuple[ExcessCurve, ...], settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("height", "density altitude", "altitude"),
        Column("flown", "airspeeds flown"),
        Column("runs", "accelerations", "count"),
        Column("flights", "flights", "count"),
        Column("best_rate", "best rate at", "speed"),
        Column("rate", "best rate", "vertical_speed"),
        Column("best_angle", "best angle at", "speed"),
        Column("why", "where not stated"),
    )
    rows = []
    for one in curves:
        rate, angle = _bests(one, settings)
        why = "; ".join(
            _not_stated(f"best {word}", of, one, settings) for word, of in (("rate", rate), ("angle", angle)) if of.why
        )
        rows.append((
            Cell(configuration_of(one, settings)), Cell(one.density_altitude), Cell(range_text(*one.speeds, "speed", settings)),
            Cell(len(one.runs)), Cell(one.flights), cell_of(rate.speed, one.used), cell_of(rate.rate, one.used),
            cell_of(angle.speed, one.used), Cell(why),
        ))  # fmt: skip
    return Table("Best airspeeds from level accelerations", columns, tuple(rows))
