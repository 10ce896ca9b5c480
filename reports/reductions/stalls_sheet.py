"""Stall speeds as a sheet."""

from __future__ import annotations

from ...shared.settings import Settings
from .evidence import Evidence
from .present import say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of
from .stalls import SLOW_ENTRY, Key, Stall, StallSpeed, StallsResult, reduce_stalls

LEAST_SPAN = 0.05  # of entry rates [m/s2], 0.1 kt/s: over less a picture against them shows nothing
NAME, TITLE = "stalls", "Stall speeds by configuration"
CAUTIONS = (
    "Lag and position error of the airspeed are largest at a stall: without a calibration down to that speed the figures are provisional.",
    "Centre of gravity, trim and power are as flown; forward limits, each configuration and the authority's method are a test of their own.",
)


def sheet_of(result: StallsResult, settings: Settings) -> Sheet:
    """The sheet of a result."""
    if not result.speeds:
        return Sheet(NAME, TITLE, missing=result.missing, left_out=result.left_out, cautions=CAUTIONS)
    statements = tuple(text for one in result.speeds for text in _statements(one, result.mass, settings))
    stalls = tuple(s for one in result.speeds for s in one.stalls)
    used = tuple(s.reference for s in stalls)
    rates = [s.entry_rate for s in stalls if s.entry_rate == s.entry_rate]
    figures = (_figure(result.speeds),) if rates and max(rates) - min(rates) >= LEAST_SPAN else ()
    return Sheet(NAME, TITLE, statements, figures, (_speed_table(result.speeds), _stall_table(stalls)),
                 (*CAUTIONS, *result.notes), result.missing, used, result.left_out)  # fmt: skip


def configuration_of(key: Key) -> str:
    """'gear down, flap full, power idle'."""
    return f"gear {key[0]}, flap {key[1]}, power {key[2]}"


def _statements(one: StallSpeed, mass: float, settings: Settings) -> list[str]:
    at = f"at {say(mass, 'mass', settings)}" if mass == mass else "at the mass flown"
    how = "by a line over entry rate" if one.by_line else "the rate flown"
    rate = (
        "" if one.entry_rate != one.entry_rate else f", entry {say(one.entry_rate, 'acceleration', settings)} ({how})"
    )
    provisional = "; provisional: no position error is known down to this speed" if one.provisional else ""
    read = "indicated" if one.provisional else "calibrated"
    out = [
        f"{_capital(configuration_of(one.key))}: {say(one.speed, 'speed', settings)} {read} {at} and 1 g{rate} (stalls: {len(one.stalls)}, flights: {one.flights}){provisional}."
    ]
    if one.lift_coefficient.is_known:
        out.append(f"Largest lift coefficient there: {say(one.lift_coefficient, 'ratio', settings)}.")
    fast = sum(1 for s in one.stalls if s.entry_rate > SLOW_ENTRY)
    if fast:
        out.append(
            f"Entered faster than {say(SLOW_ENTRY, 'acceleration', settings)}: {fast} of {len(one.stalls)}; a quick entry reads slow."
        )
    return out


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _speed_table(speeds: tuple[StallSpeed, ...]) -> Table:
    columns = (
        Column("configuration", "configuration"), Column("speed", "stall speed at 1 g, standard mass", "speed"), Column("lift", "largest lift coefficient", "ratio"),
        Column("entry_rate", "at entry rate", "acceleration"), Column("stalls", "stalls", "count"), Column("flights", "flights", "count"), Column("standing", "standing"),
    )  # fmt: skip
    rows = tuple(
        (Cell(configuration_of(one.key)), cell_of(one.speed, tuple(s.reference for s in one.stalls)), cell_of(one.lift_coefficient),
         Cell(one.entry_rate), Cell(len(one.stalls)), Cell(one.flights), Cell("indicated, provisional" if one.provisional else "calibrated"))
        for one in speeds
    )  # fmt: skip
    return Table("Stall speeds", columns, rows, "V / sqrt(load factor), to the standard mass by sqrt(mass); band 95 %")


def _stall_table(stalls: tuple[Stall, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("configuration", "configuration"), Column("speed", "airspeed at the stall", "speed"), Column("load_factor", "load factor", "load_factor"),
        Column("mass", "mass", "mass"), Column("standard", "at 1 g, standard mass", "speed"), Column("entry_rate", "entry rate", "acceleration"),
        Column("warning", "warning above it", "speed", difference=True), Column("bank", "bank change after", "angle", difference=True),
        Column("height", "height lost", "length", difference=True),
    )  # fmt: skip
    rows = tuple(
        (Cell(s.reference.sortie, origin=(s.reference,)), Cell(configuration_of(s.key)), Cell(s.speed), Cell(s.load_factor), Cell(s.mass),
         Cell(s.standard), Cell(s.entry_rate), Cell(s.warning), Cell(s.bank_change), Cell(s.height_lost))
        for s in stalls
    )  # fmt: skip
    return Table("Each stall", columns, rows, "airspeed calibrated where a position error is known, else as indicated")


def _figure(speeds: tuple[StallSpeed, ...]) -> Figure:
    series = []
    for one in speeds:
        known = [s for s in one.stalls if s.entry_rate == s.entry_rate]
        series.append(Series(configuration_of(one.key), tuple(s.entry_rate for s in known), tuple(s.standard for s in known), "points",
                             origin=tuple(s.reference for s in known)))  # fmt: skip
    return Figure(
        "Stall speed against entry rate",
        Axis("entry rate", "acceleration"),
        Axis("stall speed at 1 g, standard mass", "speed"),
        tuple(series),
    )


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_stalls(evidence), evidence.settings)
