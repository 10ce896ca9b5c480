"""Units: one closed table of spellings, one conversion to SI.

A spelling found in a log header goes through `find_unit`; what is not in the table is unknown
and becomes a question, never a factor of one. Factors are the exact definitions; the tests compare
them with pint, by the names in this table only: pint's own parser reads `amps` as attometre/second
and `G` as gauss, and importing it costs a quarter of a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import isfinite, pi
from typing import TYPE_CHECKING, TypeVar

from .errors import UnitError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Number = TypeVar("Number", float, NDArray[np.float64])
else:
    Number = TypeVar("Number")

# kind of quantity -> the SI unit every array of that kind is held in
SI: dict[str, str] = {
    "speed": "m/s",
    "length": "m",
    "angle": "rad",
    "coordinate": "deg",  # latitude and longitude stay in degrees: nobody computes with them directly
    "angular_rate": "rad/s",
    "rotation": "1/s",  # revolutions per second, ISO 80000-3 rotational frequency
    "temperature": "K",
    "pressure": "Pa",
    "mass": "kg",
    "volume": "m3",
    "mass_flow": "kg/s",
    "volume_flow": "m3/s",
    "acceleration": "m/s2",
    "load_factor": "1",
    "ratio": "1",
    "voltage": "V",
    "current": "A",
    "power": "W",
    "force": "N",
    "area": "m2",
    "time": "s",
    "count": "1",
    "density": "kg/m3",
    "energy_height": "m",
}


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of the closed table: its symbol, its kind of quantity and pint's name for it ('' where it has none)."""

    symbol: str
    kind: str
    pint: str
    spellings: tuple[str, ...]


# symbol, kind, pint name, spellings (compared in lower case with blanks, dots and brackets removed)
_TABLE: tuple[Unit, ...] = tuple(
    Unit(symbol, kind, pint, tuple(spellings.split("|")))
    for symbol, kind, pint, spellings in (
        ("m/s", "speed", "meter/second", "m/s|mps|ms-1|m·s-1|m*s-1|m/sec|meter/s|metres/second"),
        ("kt", "speed", "knot", "kt|kts|knot|knots|kn|nm/h|nmi/h|ktas|kias|kcas|keas"),
        ("mph", "speed", "mile/hour", "mph|mi/h|miles/h|statute mph"),
        ("km/h", "speed", "kilometer/hour", "km/h|kmh|kph|km/hr|kmh-1"),
        ("fpm", "speed", "foot/minute", "fpm|ft/min|ft/mn|feet/min|ftmin-1|feet per minute"),
        ("ft/s", "speed", "foot/second", "ft/s|fps|ft/sec|feet/s"),
        ("m", "length", "meter", "m|meter|metre|meters|metres|m msl|m amsl|m agl"),
        ("ft", "length", "foot", "ft|feet|foot|ft msl|ft amsl|ft agl|ft baro|ft std"),
        ("km", "length", "kilometer", "km"),
        ("nm", "length", "nautical_mile", "nm|nmi|naut mi"),
        ("mi", "length", "mile", "mi|sm|statute miles"),
        ("in", "length", "inch", "in|inch|inches"),
        ("mm", "length", "millimeter", "mm"),
        ("cm", "length", "centimeter", "cm"),
        ("dm", "length", "decimeter", "dm"),
        ("deg", "angle", "degree", "deg|degree|degrees|°|º|deg m|deg t|degm|degt|deg mag|deg true|°m|°t"),
        ("1e-7 deg", "angle", "", "1e-7 deg|deg*1e7|deg x 1e7|dege7|deg e7|e7"),
        ("rad", "angle", "radian", "rad|radian|radians"),
        ("deg/s", "angular_rate", "degree/second", "deg/s|deg/sec|°/s|dps|degs-1"),
        ("rad/s", "angular_rate", "radian/second", "rad/s|rad/sec|rads-1"),
        ("rpm", "rotation", "1/minute", "rpm|1/min|min-1|/min|rev/min|u/min|r/min|tr/min"),
        ("1/s", "rotation", "1/second", "1/s|rps|rev/s|s-1"),
        ("degC", "temperature", "degree_Celsius", "degc|deg c|°c|ºc|c|celsius"),
        ("degF", "temperature", "degree_Fahrenheit", "degf|deg f|°f|ºf|f|fahrenheit"),
        ("K", "temperature", "kelvin", "k|kelvin"),
        ("Pa", "pressure", "pascal", "pa|pascal"),
        ("hPa", "pressure", "hectopascal", "hpa"),
        ("mbar", "pressure", "millibar", "mbar|mb|millibar"),
        ("kPa", "pressure", "kilopascal", "kpa"),
        ("bar", "pressure", "bar", "bar"),
        ("inHg", "pressure", "inch_Hg_32F", 'inhg|in hg|inches hg|inhg abs|"hg|in-hg'),
        ("mmHg", "pressure", "millimeter_Hg", "mmhg|mm hg|torr"),
        ("psi", "pressure", "psi", "psi|lb/in2|lbf/in2|psia|psig"),
        ("psf", "pressure", "pound_force/foot**2", "psf|lb/ft2|lbf/ft2"),
        ("kg", "mass", "kilogram", "kg|kgs"),
        ("lb", "mass", "pound", "lb|lbs|pound|pounds|lbm"),
        ("g_mass", "mass", "gram", "gram|grams"),
        ("l", "volume", "liter", "l|lt|ltr|litre|liter|litres|liters"),
        ("usgal", "volume", "gallon", "gal|usgal|us gal|gallon|gallons|gals|usg|us gallons"),
        ("impgal", "volume", "imperial_gallon", "impgal|imp gal|ukgal"),
        ("m3", "volume", "meter**3", "m3|m³"),
        ("l/h", "volume_flow", "liter/hour", "l/h|lph|l/hr|ltr/h|lh-1|litres/hour"),
        ("usgal/h", "volume_flow", "gallon/hour", "gal/h|gph|gal/hr|usgal/h|usg/h|us gal/h"),
        ("l/min", "volume_flow", "liter/minute", "l/min|lpm|ltr/min|litres/min"),
        ("ml/min", "volume_flow", "milliliter/minute", "ml/min|cc/min|ccm/min|cm3/min"),
        ("ml/s", "volume_flow", "milliliter/second", "ml/s|cc/s|cm3/s"),
        ("usgal/min", "volume_flow", "gallon/minute", "gal/min|gpm|usgal/min"),
        ("m3/s", "volume_flow", "meter**3/second", "m3/s|m³/s"),
        ("kg/h", "mass_flow", "kilogram/hour", "kg/h|kg/hr"),
        ("kg/min", "mass_flow", "kilogram/minute", "kg/min"),
        ("g/s", "mass_flow", "gram/second", "g/s"),
        ("lb/min", "mass_flow", "pound/minute", "lb/min|lbs/min"),
        ("lb/h", "mass_flow", "pound/hour", "lb/h|pph|lb/hr|lbs/h"),
        ("g", "load_factor", "dimensionless", "g|gs|g's|gn|g-load"),
        ("m/s2", "acceleration", "meter/second**2", "m/s2|m/s²|m/s^2|m/s/s|ms-2"),
        ("kt/s", "acceleration", "knot/second", "kt/s|kts/s|knots/s|kt/sec"),
        ("ft/s2", "acceleration", "foot/second**2", "ft/s2|ft/s²|ft/s^2"),
        ("%", "ratio", "percent", "%|percent|pct"),
        ("1", "ratio", "dimensionless", "1|ratio|fraction|bool|flag|0/1|-|none|--"),
        ("V", "voltage", "volt", "v|volt|volts|vdc"),
        ("mV", "voltage", "millivolt", "mv"),
        ("A", "current", "ampere", "a|amp|amps|ampere"),
        ("hp", "power", "horsepower", "hp|bhp|shp"),
        ("kW", "power", "kilowatt", "kw"),
        ("W", "power", "watt", "w|watt|watts"),
        ("N", "force", "newton", "n|newton|newtons"),
        ("lbf", "force", "pound_force", "lbf"),
        ("daN", "force", "decanewton", "dan"),
        ("m2", "area", "meter**2", "m2|m²|sqm|sq m"),
        ("ft2", "area", "foot**2", "ft2|ft²|sqft|sq ft"),
        ("s", "time", "second", "s|sec|secs|second|seconds"),
        ("ms", "time", "millisecond", "ms|msec|millisecond|milliseconds"),
        ("us", "time", "microsecond", "us|µs|μs|usec"),
        ("ns", "time", "nanosecond", "ns|nsec"),
        ("min", "time", "minute", "min|minute|minutes"),
        ("h", "time", "hour", "h|hr|hrs|hour|hours"),
        ("kg/m3", "density", "kilogram/meter**3", "kg/m3|kg/m³"),
    )
)

UNITS: dict[str, Unit] = {unit.symbol: unit for unit in _TABLE}


# folding would turn these into another unit: newton metre into nautical mile, kilonewton into knot
_CAPITALS_MATTER = frozenset({"Nm", "kN"})


def _strip(spelling: str) -> str:
    return "".join(spelling.strip().strip("[]()").replace(".", "").split())


def _fold(spelling: str) -> str:
    return _strip(spelling).lower()


_BY_SPELLING: dict[str, Unit] = {}
for _unit in _TABLE:
    for _spelling in (_unit.symbol, *_unit.spellings):
        _BY_SPELLING.setdefault(_fold(_spelling), _unit)


@lru_cache(maxsize=4096)
def find_unit(spelling: str) -> Unit | None:
    """The unit a header spells, or None when the spelling is not in the closed table."""
    return None if _strip(spelling) in _CAPITALS_MATTER else _BY_SPELLING.get(_fold(spelling))


def unit_of(symbol: str) -> Unit:
    """The unit with this symbol or spelling. Raises UnitError, listing what is allowed."""
    unit = UNITS.get(symbol) or find_unit(symbol)
    if unit is None:
        raise UnitError("unknown unit", found=repr(symbol), allowed=", ".join(UNITS))
    return unit


# exact definitions, each written so that its double is the correctly rounded one: a decimal, or a quotient of whole
# numbers. BIPM SI brochure; yard and pound agreement of 1959; CGPM 1901 (g 9.80665 m/s2); NIST SP 811 appendix B
# (psi, hp, conventional mmHg of 13.5951 g/cm3); US gallon 231 in3; imperial gallon 4.54609 l. Every unit of the table stands here.
_COHERENT = ("m/s", "m", "rad", "rad/s", "1/s", "degC", "K", "Pa", "kg", "m3", "m3/s", "g", "m/s2", "1", "V", "A", "W", "N",
             "m2", "s", "kg/m3")  # fmt: skip
_FACTORS: dict[str, float] = {
    **dict.fromkeys(_COHERENT, 1.0),
    "kt": 1852 / 3600,
    "mph": 0.44704,
    "km/h": 10 / 36,
    "fpm": 0.00508,
    "ft/s": 0.3048,
    "ft": 0.3048,
    "km": 1000.0,
    "nm": 1852.0,
    "mi": 1609.344,
    "in": 0.0254,
    "mm": 0.001,
    "cm": 0.01,
    "dm": 0.1,
    "deg": pi / 180,
    "1e-7 deg": pi / 1_800_000_000,
    "deg/s": pi / 180,
    "rpm": 1 / 60,
    "degF": 5 / 9,
    "hPa": 100.0,
    "mbar": 100.0,
    "kPa": 1000.0,
    "bar": 100_000.0,
    "inHg": 3386.388640341,
    "mmHg": 133.322387415,
    "psi": 44_482_216_152_605 / 6_451_600_000,
    "psf": 44_482_216_152_605 / 929_030_400_000,
    "lb": 0.45359237,
    "g_mass": 0.001,
    "l": 0.001,
    "usgal": 0.003785411784,
    "impgal": 0.00454609,
    "l/h": 1 / 3_600_000,
    "usgal/h": 3_785_411_784 / 3_600_000_000_000_000,
    "l/min": 1 / 60_000,
    "ml/min": 1 / 60_000_000,
    "ml/s": 1e-6,
    "usgal/min": 3_785_411_784 / 60_000_000_000_000,
    "kg/min": 1 / 60,
    "g/s": 0.001,
    "lb/min": 45_359_237 / 6_000_000_000,
    "kg/h": 1 / 3600,
    "lb/h": 45_359_237 / 360_000_000_000,
    "kt/s": 1852 / 3600,
    "ft/s2": 0.3048,
    "%": 0.01,
    "mV": 0.001,
    "hp": 745.69987158227022,
    "kW": 1000.0,
    "lbf": 4.4482216152605,
    "daN": 10.0,
    "ft2": 0.09290304,
    "ms": 0.001,
    "us": 1e-6,
    "ns": 1e-9,
    "min": 60.0,
    "h": 3600.0,
}
_OFFSETS: dict[str, float] = {"degC": 273.15, "degF": 45_967 / 180}  # zero of the scale in kelvin


@lru_cache(maxsize=256)
def factors(symbol: str) -> tuple[float, float]:
    """(factor, offset) with value_si = value * factor + offset for a unit of the table."""
    known = unit_of(symbol).symbol
    return _FACTORS[known], _OFFSETS.get(known, 0.0)


def to_si(value: Number, symbol: str) -> Number:
    """A value or array in the named unit, as SI."""
    factor, offset = factors(symbol)
    return value * factor + offset


def from_si(value: Number, symbol: str) -> Number:
    """An SI value or array, in the named unit."""
    factor, offset = factors(symbol)
    return (value - offset) / factor


def parse_quantity(text: str) -> tuple[float, Unit]:
    """'95 kt' -> (95.0, the unit). Raises UnitError for anything else."""
    number, _, spelling = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        raise UnitError(
            "a quantity is a number, a blank and a unit", found=repr(text), do='write for example "95 kt"'
        ) from None
    if not isfinite(value):
        raise UnitError("a quantity is a finite number with its unit", found=repr(text), do='write for example "95 kt"')
    if not spelling:
        raise UnitError("a quantity needs its unit", found=repr(text), do='write for example "95 kt"')
    return value, unit_of(spelling)
