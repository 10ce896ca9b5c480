"""Unit functions for conditions: `kt(95)` is 95 knots in SI, and so on for every unit people fly by.

They are DuckDB macros, made from the same table as everything else, so the channel stays bare in
the comparison and the file's own statistics still skip what cannot match.
"""

from __future__ import annotations

from collections.abc import Iterable

import duckdb

from ..shared.units import factors, unit_of

# function -> symbol of the unit in shared/units
UNIT_FUNCTIONS: dict[str, str] = {
    "kt": "kt",
    "mph": "mph",
    "kmh": "km/h",
    "mps": "m/s",
    "fpm": "fpm",
    "fps": "ft/s",
    "ft": "ft",
    "m": "m",
    "km": "km",
    "nm": "nm",
    "mi": "mi",
    "inch": "in",
    "deg": "deg",
    "rad": "rad",
    "deg_per_s": "deg/s",
    "rpm": "rpm",
    "rps": "1/s",
    "degc": "degC",
    "degf": "degF",
    "kelvin": "K",
    "pa": "Pa",
    "hpa": "hPa",
    "mbar": "mbar",
    "kpa": "kPa",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "psi": "psi",
    "kg": "kg",
    "lb": "lb",
    "l": "l",
    "usgal": "usgal",
    "impgal": "impgal",
    "lph": "l/h",
    "gph": "usgal/h",
    "kgh": "kg/h",
    "pph": "lb/h",
    "g": "g",
    "mps2": "m/s2",
    "percent": "%",
    "volt": "V",
    "amp": "A",
    "hp": "hp",
    "kw": "kW",
    "s": "s",
    "minutes": "min",
    "hours": "h",
}


def unit_function_table() -> tuple[tuple[str, str, str], ...]:
    """(function, unit, kind of quantity) of every unit function, as documentation prints it."""
    return tuple((f"{name}()", symbol, unit_of(symbol).kind) for name, symbol in UNIT_FUNCTIONS.items())


def define_unit_functions(connection: duckdb.DuckDBPyConnection, names: Iterable[str] = tuple(UNIT_FUNCTIONS)) -> None:
    """Make unit functions known to a connection, all of them or those named.

    The arithmetic is that of shared.units.to_si in double precision, so a sample recorded as 95 kt
    equals kt(95) to the last bit.
    """
    for name in names:
        factor, offset = factors(UNIT_FUNCTIONS[name])
        connection.execute(
            f"CREATE OR REPLACE TEMP MACRO {name}(x) AS "
            f"CAST(x AS DOUBLE) * CAST({factor!r} AS DOUBLE) + CAST({offset!r} AS DOUBLE)"
        )
