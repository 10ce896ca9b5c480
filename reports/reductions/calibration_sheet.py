"""The sheet of the airspeed calibration: correction against airspeed, winds, flights against each other."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from ...shared.units import from_si, to_si
from .bands import band_of
from .calibration import CalibrationResult, PooledCorrection, reduce_calibration, type_b_of_scale
from .evidence import Evidence
from .instruments import Instruments, look_at
from .instruments_sheet import airspeed_table, temperature_statement
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, banded_curve, cell_of, dots


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    return sheet_of(reduce_calibration(evidence), evidence)


def sheet_of(result: CalibrationResult, evidence: Evidence) -> Sheet:
    """The result as sentences, pictures and tables."""
    settings = evidence.settings
    found = look_at(evidence)
    missing = []
    if not result.estimates and found.airspeed is None:
        missing.append(
            "a full turn (330 deg or more) at steady speed, or three or more steady legs round the compass at one speed "
            "and height, with velocity over the ground recorded"
        )
    return Sheet(
        "calibration",
        "Airspeed calibration and wind",
        statements=(*_statements(result, settings), *_together(found, settings)),
        figures=_figures(result, evidence) if result.estimates else (),
        tables=(
            _correction_table(result, settings),
            airspeed_table(found.airspeed),
            _estimate_table(result, evidence),
            _flight_table(result),
        ),
        cautions=("Ground effect, sideslip and lag are not in this calibration; near the stall it does not hold.",),
        missing=tuple(missing),
        used=tuple(origin for one in result.estimates for origin in one.origin),
        left_out=result.left_out,
        facts={"position_error_in_use": bool(settings.aircraft.position_error)},
    )


def _statements(result: CalibrationResult, settings: Settings) -> list[str]:
    now = (
        "what the position error table of the settings gives"
        if settings.aircraft.position_error
        else "indicated airspeed"
    )
    out = []
    for one in result.pooled:
        middle = one.at(one.centre)
        scale = band_of(1 + middle.value / one.centre, middle.type_a / one.centre, middle.type_b / one.centre, unit="1")
        out.append(
            f"{_state(one)}: at {say(one.centre, 'speed', settings)}, add {say(middle, 'speed', settings, difference=True)} "
            f"to {now} (scale {scale.value:.4f} ± {scale.half_width:.4f}); "
            f"{counted(one.estimates, 'turn or set of legs', 'turns and sets of legs')} of {counted(one.flights, 'flight')}, "
            f"{range_text(one.low, one.high, 'speed', settings)}."
        )
    out += [
        f"{flight.sortie} differs from the other flights by {flight.difference:+.4f} of scale "
        f"(standard error {flight.error:.4f}): look for a leak, a changed probe or a changed unit."
        for flight in result.flights
        if flight.alarm
    ]
    if result.flights and not any(one.alarm for one in result.flights):
        out.append(f"No drift between {len(result.flights)} flights is seen.")
    return out


def _together(found: Instruments, settings: Settings) -> list[str]:
    """What all steady points together tell, beside turns and legs."""
    out = []
    if (fit := found.airspeed) is not None:
        most = int(np.argmax(fit.counts))
        key, speed = fit.keys[most], sum(fit.speeds[most]) / 2
        out.append(
            f"All {counted(sum(fit.counts), 'steady point')} of {counted(fit.flights, 'flight')} together: gear {key[0]}, flap {key[1]}: at "
            f"{say(speed, 'speed', settings)}, add {say(fit.correction(*key, speed), 'speed', settings, difference=True)}."
        )
    return out + ([temperature_statement(found.temperature, settings)] if found.temperature is not None else [])


def _state(one: PooledCorrection) -> str:
    return f"gear {one.gear}, flap {one.flap}"


def _figures(result: CalibrationResult, evidence: Evidence) -> tuple[Figure, ...]:
    series: list[Series] = []
    for pooled in result.pooled:
        group = [one for one in result.estimates if (one.gear, one.flap) == (pooled.gear, pooled.flap)]
        half = [2 * one.scale_error * one.calibrated_airspeed for one in group]
        y = [(one.scale - 1) * one.calibrated_airspeed for one in group]
        x = [one.calibrated_airspeed for one in group]
        series.append(dots(_state(pooled), x, y, half=half, origin=tuple(one.origin[0] for one in group)))
        if pooled.high - pooled.low > 2.0:
            span = (pooled.low, pooled.high)
            series.append(banded_curve(f"{_state(pooled)}, pooled", span, pooled.at, steps=15, pair=_state(pooled)))
    correction = Figure(
        "Correction to calibrated airspeed as it is now",
        Axis("calibrated airspeed", "speed"),
        Axis("correction", "speed", difference=True),
        tuple(series),
        "One mark per full turn or set of legs, bars two standard errors; the shaded band also holds what temperature "
        "and the receiver leave open.",
    )
    del evidence
    return (correction,)


def _correction_table(result: CalibrationResult, settings: Settings) -> Table:
    rows = [
        (Cell(one.gear), Cell(one.flap), Cell(speed), cell_of(one.at(speed)))
        for one in result.pooled
        for speed in speeds_inside(one.low, one.high, settings)
    ]
    columns = (
        Column("gear", "gear"),
        Column("flap", "flap"),
        Column("calibrated_airspeed", "calibrated airspeed as now", "speed"),
        Column("correction", "correction", "speed", difference=True),
    )
    return Table(
        "Correction by airspeed", columns, tuple(rows), "Only inside the measured speeds; add it to what is shown now."
    )


def speeds_inside(low: float, high: float, settings: Settings, step: float = 10.0) -> list[float]:
    """Round speeds [m/s] (multiples of `step` display units) within a range [m/s]; its middle when none is."""
    return round_speeds(low - 0.5, high + 0.5, settings, step) or [(low + high) / 2]


def round_speeds(low: float, high: float, settings: Settings, step: float) -> list[float]:
    """All multiples of `step` display units from one speed to another [m/s]."""
    unit = settings.display_unit("speed")
    first, last = from_si(low, unit), from_si(high, unit)
    return [float(to_si(float(v), unit)) for v in np.arange(np.ceil(first / step) * step, last + 1e-9, step)]


def _estimate_table(result: CalibrationResult, evidence: Evidence) -> Table:
    columns = (
        Column("sortie", "sortie"),
        Column("kind", "from"),
        Column("gear", "gear"),
        Column("flap", "flap"),
        Column("looks", "looks", "count"),
        Column("calibrated_airspeed", "airspeed", "speed"),
        Column("height", "pressure altitude", "altitude"),
        Column("scale", "scale", "ratio"),
        Column("wind_from", "wind from", "angle"),
        Column("wind_speed", "wind", "speed"),
        Column("misfit", "residual", "speed", difference=True),
    )
    rows = []
    for one in result.estimates:
        scale = band_of(one.scale, one.scale_error, type_b_of_scale(evidence, one.temperature), unit="1")
        wind = band_of(one.wind_speed, one.wind_error, evidence.settings.uncertainty.ground_speed, unit="m/s")
        rows.append(
            (
                Cell(one.sortie), Cell(one.kind), Cell(one.gear), Cell(one.flap), Cell(one.looks),
                Cell(one.calibrated_airspeed), Cell(one.pressure_altitude), cell_of(scale, one.origin),
                Cell(one.wind_direction), cell_of(wind, one.origin), Cell(one.misfit),
            )
        )  # fmt: skip
    return Table(
        "Turns and legs",
        columns,
        tuple(rows),
        "Scale: true airspeed over the one computed now. Wind is named by where it blows from, true north.",
    )


def _flight_table(result: CalibrationResult) -> Table:
    columns = (
        Column("sortie", "sortie"),
        Column("estimates", "estimates", "count"),
        Column("difference", "scale against the other flights", "ratio"),
        Column("alarm", "differs"),
    )
    rows = tuple(
        (
            Cell(one.sortie),
            Cell(one.estimates),
            cell_of(band_of(one.difference, one.error, unit="1")),
            Cell("yes" if one.alarm else "no"),
        )
        for one in result.flights
    )
    return Table("Flights against each other", columns, rows)
