"""The sheet of the configuration ledger: what propeller, gear and flaps add, in drag area and in sink."""

from __future__ import annotations

from functools import partial

from ...shared.settings import Settings
from .airspeed_fit import Key
from .calibration_sheet import speeds_inside
from .evidence import Evidence, inferred_note
from .increments import Increment, IncrementsResult, reduce_increments
from .instruments_sheet import instrument_cautions, instrument_statements
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, banded_curve, cell_of


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    result = reduce_increments(evidence)
    used = {origin.sortie for one in result.increments for origin in one.origin}
    return sheet_of(result, evidence.settings, inferred_note(evidence, used))


def sheet_of(result: IncrementsResult, settings: Settings, notes: tuple[str, ...] = ()) -> Sheet:
    """The result as sentences, pictures and tables. notes: what to know of the flights used."""
    missing = []
    if not result.increments:
        missing.append("glides in two configurations that differ in one thing alone, at overlapping airspeeds")
    cautions = list(notes) + (instrument_cautions(result.instruments, settings) if result.increments else [])
    if any(one.paired == 0 for one in result.increments):
        cautions.append("An increment no flight flew both sides of compares different days: fly both in one flight.")
    return Sheet(
        "increments",
        "What propeller, gear and flaps add",
        statements=(
            *(_statement(one, result, settings) for one in result.increments),
            *instrument_statements(result.instruments, _configurations(result).items(), settings),
        ),
        figures=_figures(result, settings),
        tables=(_ledger(result, settings), _penalties(result, settings)),
        cautions=tuple(cautions),
        missing=tuple(missing),
        used=tuple(dict.fromkeys(origin for one in result.increments for origin in one.origin)),
        left_out=result.left_out,
        facts={"standard_mass_kg": result.standard_mass},
    )


def _configurations(result: IncrementsResult) -> dict[Key, float]:
    """Gear and flap of both sides of every increment with the middle of its airspeeds [m/s]."""
    sides = [(side, (one.low + one.high) / 2) for one in result.increments for side in (one.base, one.changed)]
    return {(side.gear, side.flap): speed for side, speed in sides}


def _statement(one: Increment, result: IncrementsResult, settings: Settings) -> str:
    middle = (one.low + one.high) / 2
    return (
        f"{one.what} (on {one.base.configuration}) adds {say(one.area, 'area', settings)} of drag area, "
        f"{say(result.sink_of(one, middle), 'vertical_speed', settings)} of sink at "
        f"{say(middle, 'speed', settings)}; {counted(one.points, 'point')} of {counted(one.flights, 'flight')}, "
        f"{one.paired} of them with both sides."
    )


def _figures(result: IncrementsResult, settings: Settings) -> tuple[Figure, ...]:
    if not result.increments:
        return ()
    bars, names = [], []
    if result.base is not None:
        bars.append(result.base.parasite_area)
        names.append("clean")
    bars += [one.area for one in result.increments]
    names += ["propeller" if one.what.startswith("propeller") else one.what for one in result.increments]
    waterfall = Figure(
        "Drag area at no lift, and what each change adds",
        Axis("change"),
        Axis("drag area", "area"),
        (
            Series(
                "drag area",
                tuple(float(i) for i in range(len(bars))),
                tuple(b.value for b in bars),
                "bars",
                tuple(b.low for b in bars),
                tuple(b.high for b in bars),
            ),
        ),
        "Bands k = 2. The first bar is the cleanest condition flown, propeller included.",
        tuple(names),
    )
    return waterfall, _penalty_figure(result)


def _penalty_figure(result: IncrementsResult) -> Figure:
    series = [
        banded_curve(_short(one), (one.low, one.high), partial(result.sink_of, one), steps=20)
        for one in result.increments
    ]
    return Figure(
        "Sink each change adds",
        Axis("calibrated airspeed", "speed"),
        Axis("added sink", "vertical_speed"),
        tuple(series),
        "At standard mass and the density told above, inside the measured speeds: constant drag area, so it grows with the cube of speed.",
    )


def _short(one: Increment) -> str:
    return f"{one.what}, on gear {one.base.gear}, flap {one.base.flap}"


def _ledger(result: IncrementsResult, settings: Settings) -> Table:
    columns = (
        Column("what", "change"),
        Column("base", "on top of"),
        Column("area", "adds drag area", "area"),
        Column("speeds", "measured between"),
        Column("points", "points", "count"),
        Column("flights", "flights", "count"),
        Column("paired", "flights with both", "count"),
        Column("trend", "does it go with lift"),
    )
    rows = tuple(
        (
            Cell(one.what), Cell(one.base.configuration), cell_of(one.area, one.origin),
            Cell(range_text(one.low, one.high, "speed", settings)), Cell(one.points), Cell(one.flights), Cell(one.paired),
            Cell(_trend(one)),
        )
        for one in result.increments
    )  # fmt: skip
    return Table(
        "Ledger", columns, rows, "Compared at equal lift coefficient, inside flights first, then over flights."
    )


def _trend(one: Increment) -> str:
    if not one.trend.is_known:
        return "too few points to tell"
    if one.trend.holds(0.0):
        return "not seen: as a parasite drag does"
    return "grows towards low speed" if one.trend.value > 0 else "falls towards low speed"


def _penalties(result: IncrementsResult, settings: Settings) -> Table:
    columns = (
        Column("what", "change"),
        Column("base", "on top of"),
        Column("speed", "calibrated airspeed", "speed"),
        Column("sink", "added sink", "vertical_speed"),
    )
    rows = tuple(
        (
            Cell(one.what), Cell(one.base.configuration), Cell(speed), cell_of(result.sink_of(one, speed), one.origin),
        )
        for one in result.increments
        for speed in speeds_inside(one.low, one.high, settings)
    )  # fmt: skip
    note = f"At {say(result.standard_mass, 'mass', settings)} and {say(result.density_altitude, 'altitude', settings)} density altitude, as the sink table of `drag`."
    return Table("Added sink by airspeed", columns, rows, note)
