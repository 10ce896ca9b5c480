"""Landings as a sheet."""

from __future__ import annotations

from ...shared.settings import Settings
from .evidence import Evidence
from .landings import Landing, LandingsResult, Spread, reduce_landings
from .present import say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of

NAME, TITLE = "landings", "Landings: speeds, sink, flare and load at touchdown"
CAUTIONS = (
    "Ground speed is not airspeed: wind is in it. Heights in the last metres carry the ground's effect on the static ports.",
    "Peak load factor depends on where the sensor sits and how fast it samples: a figure for comparing landings, not a structural load.",
)
QUANTITIES = {
    "touchdown airspeed": "speed", "touchdown ground speed": "speed", "sink at touchdown": "vertical_speed", "threshold speed": "speed",
    "flare time": "time", "flare distance": "length", "peak load factor": "load_factor",
}  # fmt: skip
TREND_TELLS = 2.6  # standard errors: five quantities are looked at
TRENDS = ("touchdown airspeed", "sink at touchdown", "threshold speed", "flare time", "peak load factor")


def sheet_of(result: LandingsResult, settings: Settings) -> Sheet:
    """The sheet of a result."""
    cautions: tuple[str, ...] = CAUTIONS
    if not result.calibrated:
        cautions = (
            "No position error is known: airspeeds are as indicated, slow and near the ground they are least trustworthy.",
            *cautions,
        )
    statements = _statements(result, settings)
    if not result.landings:
        return Sheet(NAME, TITLE, missing=result.missing, left_out=result.left_out, cautions=cautions)
    used = tuple(one.reference for one in result.landings)
    return Sheet(NAME, TITLE, statements, (_figure(result.landings),), (_spread_table(result.spreads, settings), _table(result.landings)),
                 cautions, result.missing, used, result.left_out, _facts(result.spreads))  # fmt: skip


def _statements(result: LandingsResult, settings: Settings) -> tuple[str, ...]:
    by_name = {s.name: s for s in result.spreads}
    flights = len({one.reference.sortie for one in result.landings})
    out = []
    for name in ("touchdown airspeed", "sink at touchdown", "threshold speed"):
        if name in by_name:
            one = by_name[name]
            quantity = QUANTITIES[name]
            spread = (
                ""
                if one.count < 2
                else f", one standard deviation {say(one.deviation, quantity, settings, difference=True)}"
            )
            out.append(
                f"{name[0].upper()}{name[1:]}: {say(one.middle, quantity, settings)} in the middle{spread} (landings: {one.count}, flights: {flights})."
            )
    hardest = max(
        result.landings, key=lambda one: one.sink.value if one.sink.value == one.sink.value else -1.0, default=None
    )
    if hardest is not None and hardest.sink.value == hardest.sink.value:
        out.append(f"Hardest: {say(hardest.sink, 'vertical_speed', settings)} on {hardest.reference.sortie}.")
    for one in result.spreads:
        if one.name in TRENDS and one.trend_error > 0 and abs(one.trend) > TREND_TELLS * one.trend_error:
            change = say(abs(one.trend), QUANTITIES[one.name], settings, difference=True)
            out.append(
                f"{one.name[0].upper()}{one.name[1:]} {'rises' if one.trend > 0 else 'falls'} by {change} a landing over {one.count} landings."
            )
    return tuple(out)


def _spread_table(spreads: tuple[Spread, ...], settings: Settings) -> Table:
    columns = (
        Column("quantity", "quantity"),
        Column("landings", "landings", "count"),
        Column("middle", "middle"),
        Column("deviation", "deviation"),
    )
    rows = tuple(
        (Cell(one.name), Cell(one.count), Cell(say(one.middle, QUANTITIES[one.name], settings)),
         Cell(say(one.deviation, QUANTITIES[one.name], settings, difference=True)))
        for one in spreads
    )  # fmt: skip
    return Table("All landings", columns, rows, "middle: median; deviation: one standard deviation between landings")


def _table(landings: tuple[Landing, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("kind", "kind"), Column("airspeed", "touchdown airspeed", "speed"),
        Column("ground_speed", "ground speed", "speed"), Column("sink", "sink", "vertical_speed"), Column("threshold", "threshold speed", "speed"),
        Column("flare_height", "flare begun at", "length"), Column("flare_speed", "flare speed", "speed"), Column("flare_time", "flare and float", "time"),
        Column("flare_distance", "over the ground", "length"), Column("peak", "peak load factor", "load_factor"), Column("headwind", "wind on the nose", "speed"),
    )  # fmt: skip
    rows = tuple(
        (Cell(one.reference.sortie, origin=(one.reference,)), Cell(one.kind.replace("_", " ")), cell_of(one.airspeed), cell_of(one.ground_speed),
         cell_of(one.sink), Cell(one.threshold_speed), Cell(one.flare_height), Cell(one.flare_speed), Cell(one.flare_time),
         Cell(one.flare_distance), Cell(one.peak_load_factor), cell_of(one.headwind))
        for one in landings
    )  # fmt: skip
    return Table(
        "Each landing",
        columns,
        rows,
        "threshold: 50 ft (15 m) above the touchdown point; speeds calibrated where a position error is known, else as indicated; band 95 %",
    )


def _facts(spreads: tuple[Spread, ...]) -> dict[str, object]:
    """SI numbers of the spreads."""
    return {
        one.name.replace(" ", "_"): {
            "middle": one.middle,
            "deviation": one.deviation if one.count > 1 else None,
            "landings": one.count,
        }
        for one in spreads
    }


def _figure(landings: tuple[Landing, ...]) -> Figure:
    known = [one for one in landings if one.airspeed.is_known and one.sink.is_known]
    series = Series("landings", tuple(one.airspeed.value for one in known), tuple(one.sink.value for one in known), "points",
                    tuple(one.sink.low for one in known), tuple(one.sink.high for one in known), tuple(one.reference for one in known))  # fmt: skip
    return Figure(
        "Sink against airspeed at touchdown",
        Axis("touchdown airspeed", "speed"),
        Axis("sink at touchdown", "vertical_speed"),
        (series,),
    )


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_landings(evidence), evidence.settings)
