"""What the drag sheet shows of repeatability: a sentence of what was found, one of what more flights would do, a table."""

from __future__ import annotations

from ...shared.settings import Settings
from .bands import UNKNOWN, Band
from .present import counted, say
from .repeatability import MOST_FLIGHTS, Ahead, Component, Repeatability
from .sheet import Cell, Column, Table, cell_of

NOT_FROM_ZERO = "not told from zero"


def repeatability_statements(found: Repeatability | None, settings: Settings) -> list[str]:
    """What the levels scatter by, and an estimate of what more flights would narrow; nothing where no polar was fitted."""
    if found is None:
        return []
    levels = "; ".join(_level_text(one, found, settings) for one in found.components if not one.reason)
    if not levels:
        return []
    counts = (
        f"{counted(found.points, 'point')}, {counted(found.flights, 'flight')}, {counted(found.days, 'day')}; as sink: "
        f"{found.usual.condition.configuration} at {say(found.speed, 'speed', settings)}"
    )
    out = [f"Repeatability, standard deviation of one glide's drag: {levels} ({counts})."]
    if found.ahead is not None:
        out.append(_ahead_text(found.ahead, found, settings))
    return out


def _level_text(one: Component, found: Repeatability, settings: Settings) -> str:
    sink = times(one.deviation, abs(found.sink), "m/s")
    if not one.is_told_from_zero:
        return f"{one.name} {NOT_FROM_ZERO}, at most {say(sink.high, 'vertical_speed', settings)}"
    return f"{one.name} {say(one.deviation, 'share', settings)}, {say(sink, 'vertical_speed', settings)}"


def _ahead_text(ahead: Ahead, found: Repeatability, settings: Settings) -> str:
    now, after, scatter, lasting = (
        say(one, "vertical_speed", settings) for one in (ahead.now, ahead.after_one, ahead.scatter, ahead.lasting)
    )
    change = (
        f"would take the sink's band from ± {now} to ± {after}"
        if now != after
        else f"would hardly change the sink's band of ± {now}"
    )
    start = (
        f"Estimate, no promise: {found.usual.condition.configuration} at {say(found.speed, 'speed', settings)}, one more flight "
        f"like these on another day {change}"
    )
    if ahead.halved_by is not None:
        return f"{start}; about {counted(ahead.halved_by, 'such flight')} would halve it."
    rest = f"± {lasting} of it is airspeed, mass, sink and temperature as known, which more flights do not narrow"
    if ahead.scatter_halved_by is None:
        return f"{start}; {rest}, and more than {MOST_FLIGHTS} would be needed to halve the scatter's ± {scatter}."
    return f"{start}; {rest}, and about {counted(ahead.scatter_halved_by, 'such flight')} would halve the scatter's ± {scatter}."


def repeatability_table(found: Repeatability, settings: Settings) -> Table:
    """A row for each level: standard deviation as a share of drag, in drag area and in sink at the usual speed."""
    columns = (
        Column("level", "scatter"),
        Column("share", "of the drag area", "share", difference=True),
        Column("area", "drag area", "area", difference=True),
        Column("sink", "sink", "vertical_speed", difference=True),
        Column("told", "reading"),
    )
    return Table(
        "Repeatability: standard deviations of the drag left over from the curves",
        columns,
        tuple(_row(one, found) for one in found.components),
        f"Drag area and sink are told for {found.usual.condition.configuration} at {say(found.speed, 'speed', settings)}. A point "
        "counts by its own standard error; within a flight is that of a middling point. Bands, k = 2, are wide with few flights.",
    )


def _row(one: Component, found: Repeatability) -> tuple[Cell, ...]:
    if one.reason:
        return (Cell(one.name), Cell(None), Cell(None), Cell(None), Cell(f"not told: {one.reason}"))
    bands = (one.deviation, times(one.deviation, found.area, "m2"), times(one.deviation, abs(found.sink), "m/s"))
    told = "told" if one.is_told_from_zero else NOT_FROM_ZERO
    if one.variance < 0:
        told += " (the estimate came out negative)"
    return (Cell(one.name), *(cell_of(band, found.usual.origin) for band in bands), Cell(told))


def times(band: Band, factor: float, unit: str) -> Band:
    """A band times a positive number known without error; unknown where either is."""
    if not band.is_known or factor != factor:
        return UNKNOWN
    return Band(band.value * factor, band.low * factor, band.high * factor, unit)
