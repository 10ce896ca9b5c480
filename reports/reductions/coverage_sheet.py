"""The sheet of what was flown."""

from __future__ import annotations

from ...shared.settings import Settings
from . import coverage as flown
from .conditions import Condition
from .coverage import HEIGHT_STEP, MASS_STEP, SPEED_STEP, CoverageResult, Row, reduce_coverage
from .evidence import Evidence
from .present import counted, unit_shown, value_shown
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of


def run(evidence: Evidence) -> Sheet:
    """The coverage and its sheet."""
    return sheet_of(reduce_coverage(evidence), evidence.settings)


def sheet_of(result: CoverageResult, settings: Settings) -> Sheet:
    """The matrix as sentences, picture and tables."""
    used = tuple(one for row in result.rows for cell in row.cells for one in cell.origin)
    statements = []
    if result.rows:
        flights = len({one.sortie for one in used})
        statements.append(
            f"{counted(len(used), 'point')} of {counted(flights, 'flight')} in {counted(len(result.rows), 'condition')}."
        )
        gaps = [text for row in result.rows if (text := _gap_text(row, settings))]
        statements += gaps[:5]
    return Sheet(
        "coverage",
        "What has been flown",
        statements=tuple(statements),
        figures=_figures(result),
        tables=(_matrix(result), _ranges(result), _steps(result, "height"), _steps(result, "mass")),
        missing=() if result.rows else ("accepted points with a known airspeed",),
        used=used,
        left_out=result.left_out,
    )


def _gap_text(row: Row, settings: Settings) -> str | None:
    """The steps of airspeed between slowest and fastest in which a glide condition has no point."""
    if row.condition.kind != "glide":
        return None
    have = {round(cell.speed / SPEED_STEP) for cell in row.cells}
    empty = [step for step in range(min(have), max(have)) if step not in have]
    if not empty:
        return None
    steps = ", ".join(_step_text(step * SPEED_STEP, SPEED_STEP, "speed", settings) for step in empty)
    return f"{row.condition.words}: nothing between {steps}."


def _step_text(low: float, step: float, quantity: str, settings: Settings) -> str:
    first, last = (value_shown(v, quantity, settings) for v in (low, low + step))
    return f"{first:.0f} and {last:.0f} {unit_shown(quantity, settings)}"


def _figures(result: CoverageResult) -> tuple[Figure, ...]:
    glides = [row for row in result.rows if row.condition.kind == "glide"]
    if not glides:
        return ()
    series = tuple(
        Series(
            row.condition.configuration,
            tuple(cell.speed + SPEED_STEP / 2 for cell in row.cells),
            tuple(2 * cell.rate.standard_uncertainty for cell in row.cells),
            origin=tuple(cell.origin[0] for cell in row.cells),
        )
        for row in glides
    )
    return (
        Figure(
            "Glides: how well the sink of each step of airspeed is known",
            Axis("calibrated airspeed", "speed"),
            Axis("half width of the band of the mean", "vertical_speed", difference=True),
            series,
            "One mark per configuration and step of airspeed; low is well known. Only repeats count here, not calibration.",
        ),
    )


def _matrix(result: CoverageResult) -> Table:
    columns = (
        *_condition_columns(),
        Column("from", "from", "speed"),
        Column("to", "to", "speed"),
        Column("points", "points", "count"),
        Column("flights", "flights", "count"),
        Column("sink", "mean sink", "vertical_speed"),
    )
    rows = tuple(
        (
            *_condition_cells(row.condition), Cell(cell.speed), Cell(cell.speed + SPEED_STEP), Cell(cell.count),
            Cell(cell.flights), cell_of(cell.rate, cell.origin),
        )
        for row in result.rows
        for cell in row.cells
    )  # fmt: skip
    return Table(
        "By configuration and airspeed",
        columns,
        rows,
        "Sink is corrected for speed change; a climb is a negative sink.",
    )


def _condition_columns() -> tuple[Column, ...]:
    return tuple(Column(name, name) for name in flown.STATES)


def _condition_cells(condition: Condition) -> tuple[Cell, ...]:
    return tuple(Cell(getattr(condition, name)) for name in flown.STATES)


def _ranges(result: CoverageResult) -> Table:
    columns = (
        *_condition_columns(),
        Column("points", "points", "count"),
        Column("flights", "flights", "count"),
        Column("slowest", "slowest", "speed"),
        Column("fastest", "fastest", "speed"),
        Column("lowest", "lowest", "altitude"),
        Column("highest", "highest", "altitude"),
        Column("lightest", "lightest", "mass"),
        Column("heaviest", "heaviest", "mass"),
    )
    rows = tuple(
        (
            *_condition_cells(row.condition), Cell(row.points), Cell(row.flights), Cell(row.slowest), Cell(row.fastest),
            *(Cell(v) for v in (*row.heights, *row.masses)),
        )
        for row in result.rows
    )  # fmt: skip
    return Table("Ranges flown", columns, rows, "Pressure altitude; nothing is stated outside these ranges.")


def _steps(result: CoverageResult, what: str) -> Table:
    counts, step, quantity = (
        (result.by_height, HEIGHT_STEP, "altitude") if what == "height" else (result.by_mass, MASS_STEP, "mass")
    )
    columns = (
        *_condition_columns(),
        Column("from", "from", quantity),
        Column("to", "to", quantity),
        Column("points", "points", "count"),
    )
    ordered = sorted(counts.items(), key=lambda one: (one[0][0].words, one[0][1]))
    rows = tuple(
        (*_condition_cells(condition), Cell(low), Cell(low + step), Cell(number))
        for (condition, low), number in ordered
    )
    return Table(f"By configuration and {what}", columns, rows)
