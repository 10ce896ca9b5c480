"""What was put right about airspeeds and temperatures, in sentences and as a table."""

from __future__ import annotations

from collections.abc import Iterable

from ...shared.settings import Settings
from .airspeed_fit import AirspeedFit, Key
from .bands import Band
from .instruments import Instruments
from .present import counted, say
from .sheet import Cell, Column, Table, cell_of
from .temperature_fit import TemperatureFit


def instrument_statements(
    found: Instruments, configurations: Iterable[tuple[Key, float]], settings: Settings
) -> list[str]:
    """Sentences on what was put right; configurations: (gear, flap) with a calibrated airspeed [m/s] each."""
    out = []
    if found.airspeed is not None:
        fit = found.airspeed
        told = [
            f"{say(fit.correction(*key, speed), 'speed', settings, difference=True)} at {say(speed, 'speed', settings)} "
            f"with gear {key[0]}, flap {key[1]}"
            for key, speed in configurations
        ]
        out.append(
            f"Airspeed is put right by velocity over the ground of {counted(sum(fit.counts), 'steady point')} of "
            f"{counted(fit.flights, 'flight')}, as no position error table is in the settings: added were {'; '.join(told)}. "
            "Lists of points have it not; the option instruments=as_recorded leaves it out."
        )
    if found.temperature is not None:
        out.append(
            f"{temperature_statement(found.temperature, settings)} Temperatures and sink rates are put right by it."
        )
    return out


def temperature_statement(fit: TemperatureFit, settings: Settings) -> str:
    """How late the thermometer reads, and what is wrong with the ram rise."""
    text = f"The thermometer reads {say(fit.lag, 'time', settings)} late"
    if not fit.ram.holds(0.0):
        low, high = sorted((abs(fit.ram.low), abs(fit.ram.high)))
        size = Band(abs(fit.ram.value), low, high, "1")
        text += f" and {say(size, 'ratio', settings)} of the full ram rise is {'left in' if fit.ram.value > 0 else 'taken off too much'}"
    return f"{text}, told by steady climbs and descents of {counted(fit.flights, 'flight')}."


def instrument_cautions(found: Instruments, settings: Settings) -> list[str]:
    """What must be said where airspeeds stand as recorded."""
    if found.airspeed is not None or settings.aircraft.position_error:
        return []
    return [
        "Airspeeds stand as recorded: no position error table is in the settings, and the steady points were not used to put "
        f"them right. {say(2 * settings.airspeed_uncertainty, 'speed', settings, difference=True)} of doubt stands in every band."
    ]


def airspeed_table(fit: AirspeedFit | None) -> Table:
    """The correction of each configuration at its slowest, middle and fastest point."""
    columns = (
        Column("gear", "gear"),
        Column("flap", "flap"),
        Column("points", "points", "count"),
        Column("calibrated_airspeed", "calibrated airspeed as now", "speed"),
        Column("correction", "correction", "speed", difference=True),
    )
    ranges = [] if fit is None else list(zip(fit.keys, fit.counts, fit.speeds, strict=True))
    rows = [
        (Cell(key[0]), Cell(key[1]), Cell(count), Cell(speed), cell_of(fit.correction(*key, speed)))
        for key, count, (low, high) in ranges
        for speed in dict.fromkeys((low, (low + high) / 2, high))
        if fit is not None
    ]
    return Table(
        "Correction from all steady points together",
        columns,
        tuple(rows),
        "Every steady point against its flight's wind, which is taken as a straight line over height; no turn is needed. "
        "Configurations with few points lean on the others.",
    )
