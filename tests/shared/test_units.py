"""Units: every factor against its exact definition, every spelling to one unit, pint's traps."""

from fractions import Fraction
from math import pi
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.errors import UnitError
from trimshot.shared.units import SI, UNITS, factors, find_unit, from_si, parse_quantity, to_si, unit_of

# Exact definitions. ISO 80000 and the SI brochure for SI prefixes; International Yard and Pound
# Agreement 1959: ft 0.3048 m, lb 0.45359237 kg; CGPM 1901: g 9.80665 m/s2; nautical mile 1852 m
# (1929); US gallon 231 in3, imperial gallon 4.54609 l (1985); mmHg 13.5951 x 9.80665 Pa
# (conventional); mechanical horsepower 550 ft lbf/s (NIST SP 811, appendix B)
FOOT, POUND, GRAVITY = 0.3048, 0.45359237, 9.80665
INCH, POUND_FORCE, GALLON = FOOT / 12, POUND * GRAVITY, 231 * (FOOT / 12) ** 3
MMHG = 13.5951 * GRAVITY
EXACT = {
    "m/s": 1,
    "kt": 1852 / 3600,
    "mph": 5280 * FOOT / 3600,
    "km/h": 1 / 3.6,
    "fpm": FOOT / 60,
    "ft/s": FOOT,
    "m": 1,
    "ft": FOOT,
    "km": 1000,
    "nm": 1852,
    "mi": 5280 * FOOT,
    "in": INCH,
    "mm": 1e-3,
    "cm": 1e-2,
    "dm": 1e-1,
    "deg": pi / 180,
    "1e-7 deg": pi / 180 / 10**7,
    "rad": 1,
    "deg/s": pi / 180,
    "rad/s": 1,
    "rpm": 1 / 60,  # revolutions, not radians
    "1/s": 1,
    "Pa": 1,
    "hPa": 100,
    "mbar": 100,
    "kPa": 1000,
    "bar": 1e5,
    "inHg": 25.4 * MMHG,
    "mmHg": MMHG,
    "psi": POUND_FORCE / INCH**2,
    "psf": POUND_FORCE / FOOT**2,
    "kg": 1,
    "lb": POUND,
    "g_mass": 1e-3,
    "l": 1e-3,
    "usgal": GALLON,
    "impgal": 4.54609e-3,
    "m3": 1,
    "l/h": 1e-3 / 3600,
    "usgal/h": GALLON / 3600,
    "l/min": 1e-3 / 60,
    "ml/min": 1e-6 / 60,
    "ml/s": 1e-6,
    "usgal/min": GALLON / 60,
    "kg/min": 1 / 60,
    "g/s": 1e-3,
    "lb/min": POUND / 60,
    "m3/s": 1,
    "kg/h": 1 / 3600,
    "lb/h": POUND / 3600,
    "g": 1,  # load factor is a ratio
    "m/s2": 1,
    "kt/s": 1852 / 3600,
    "ft/s2": FOOT,
    "%": 1e-2,
    "1": 1,
    "V": 1,
    "mV": 1e-3,
    "A": 1,
    "hp": 550 * FOOT * POUND_FORCE,
    "kW": 1000,
    "W": 1,
    "N": 1,
    "lbf": POUND_FORCE,
    "daN": 10,
    "m2": 1,
    "ft2": FOOT**2,
    "s": 1,
    "ms": 1e-3,
    "us": 1e-6,
    "ns": 1e-9,
    "min": 60,
    "h": 3600,
    "kg/m3": 1,
    "degC": 1,
    "K": 1,
    "degF": 5 / 9,
}
OFFSETS = {"degC": 273.15, "degF": 459.67 * 5 / 9}  # zero of the scale in kelvin, SI brochure; NIST SP 811


def test_every_unit_has_an_exact_definition_here() -> None:
    assert set(EXACT) == set(UNITS)


@pytest.mark.parametrize("symbol", UNITS)
def test_factor_is_the_exact_one(symbol: str) -> None:
    factor, offset = factors(symbol)
    assert factor == pytest.approx(EXACT[symbol], rel=4e-15)
    assert offset == pytest.approx(OFFSETS.get(symbol, 0.0), rel=1e-14, abs=0)


REGISTRY: Any = pint.UnitRegistry()
SI_PINT = {
    "speed": "meter/second", "length": "meter", "angle": "radian", "angular_rate": "radian/second",
    "rotation": "1/second", "temperature": "kelvin", "pressure": "pascal", "mass": "kilogram",
    "volume": "meter**3", "mass_flow": "kilogram/second", "volume_flow": "meter**3/second",
    "acceleration": "meter/second**2", "load_factor": "dimensionless", "ratio": "dimensionless",
    "voltage": "volt", "current": "ampere", "power": "watt", "force": "newton", "area": "meter**2",
    "time": "second", "density": "kilogram/meter**3",
}  # fmt: skip


@pytest.mark.parametrize("symbol", [u for u in UNITS if UNITS[u].pint])
def test_factor_is_that_of_pint(symbol: str) -> None:
    unit = UNITS[symbol]
    low, high = (float(REGISTRY.Quantity(x, unit.pint).to(SI_PINT[unit.kind]).magnitude) for x in (0.0, 1.0))
    factor, offset = factors(symbol)
    assert factor == pytest.approx(high - low, rel=4e-15 if unit.kind != "temperature" else 1e-12)
    assert offset == pytest.approx(low, rel=1e-14, abs=0)


@pytest.mark.parametrize(
    ("symbol", "exact"),
    [
        ("ft", "0.3048"), ("fpm", "0.3048/60"), ("kt", "1852/3600"), ("inHg", "25.4*13.5951*9.80665"),
        ("usgal/h", "231*0.0254*0.0254*0.0254/3600"), ("psi", "0.45359237*9.80665/0.0254/0.0254"),
        ("psf", "0.45359237*9.80665/0.3048/0.3048"), ("hp", "550*0.3048*0.45359237*9.80665"),
        ("lb/h", "0.45359237/3600"), ("km/h", "1/3.6"), ("degF", "5/9"),
    ],
)  # fmt: skip
def test_factor_is_the_double_nearest_to_the_definition(symbol: str, exact: str) -> None:
    value = Fraction(1)
    for part in exact.replace("/", "*/").split("*"):
        value = value / Fraction(part[1:]) if part.startswith("/") else value * Fraction(part)
    assert factors(symbol)[0] == float(value)


@pytest.mark.parametrize("symbol", UNITS)
def test_kind_has_an_si_unit(symbol: str) -> None:
    assert UNITS[symbol].kind in SI


def folded(spelling: str) -> str:
    """The comparison form the table promises: lower case, blanks, dots and outer brackets removed."""
    return "".join(spelling.lower().strip("[]()").replace(".", "").split())


def test_no_spelling_belongs_to_two_units() -> None:
    owners: dict[str, set[str]] = {}
    for unit in UNITS.values():
        for spelling in (unit.symbol, *unit.spellings):
            owners.setdefault(folded(spelling), set()).add(unit.symbol)
    assert {spelling: who for spelling, who in owners.items() if len(who) > 1} == {}


@pytest.mark.parametrize(
    ("symbol", "spelling"), [(u.symbol, s) for u in UNITS.values() for s in (u.symbol, *u.spellings)]
)
def test_every_spelling_is_found_as_headers_write_it(symbol: str, spelling: str) -> None:
    for written in (spelling, f"[{spelling}]", f" ({spelling}) "):
        found = find_unit(written)
        assert found is not None
        assert found.symbol == symbol


@pytest.mark.parametrize("spelling", ["", "  ", "furlong", "kts2", "Nm", "N.m", "kN", "MPa", "Ah", "dB", "kgf", "???"])
def test_unknown_spelling_is_unknown(spelling: str) -> None:
    assert find_unit(spelling) is None
    with pytest.raises(UnitError) as caught:
        unit_of(spelling)
    assert "kt" in str(caught.value.allowed)


@pytest.mark.parametrize(
    ("spelling", "symbol"),
    [
        ("amps", "A"),  # pint's parser: attometre per second
        ("deg F", "degF"),  # pint's parser: degree farad
        ("g", "g"),  # pint's parser: gram
        ("G", "g"),  # pint's parser: gauss
        ("KTS", "kt"),
        ("NM", "nm"),
        ("Ft.", "ft"),
        ("in. Hg", "inHg"),
        ("°C", "degC"),
        ("µs", "us"),  # micro sign
        ("μs", "us"),  # Greek mu
    ],
)
def test_traps_of_a_general_parser(spelling: str, symbol: str) -> None:
    found = find_unit(spelling)
    assert found is not None
    assert found.symbol == symbol


def test_load_factor_is_neither_mass_nor_field() -> None:
    assert unit_of("G").kind == "load_factor"
    assert unit_of("amps").kind == "current"
    assert unit_of("deg F").kind == "temperature"


@pytest.mark.parametrize(
    ("value", "symbol", "si"),
    [(32.0, "degF", 273.15), (-40.0, "degF", 233.15), (-40.0, "degC", 233.15), (59.0, "degF", 288.15)],
)
def test_temperatures_have_their_offset(value: float, symbol: str, si: float) -> None:
    # freezing point, the crossing of both scales, standard sea level: by definition
    assert to_si(value, symbol) == pytest.approx(si, rel=1e-13)
    assert from_si(si, symbol) == pytest.approx(value, rel=1e-11)


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
def test_conversion_goes_both_ways(symbol: str, value: float) -> None:
    assert from_si(to_si(value, symbol), symbol) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_arrays_keep_their_gaps() -> None:
    found = to_si(np.array([100.0, np.nan]), "kt")
    assert found[0] == pytest.approx(100 * 1852 / 3600)
    assert np.isnan(found[1])


@pytest.mark.parametrize(
    ("text", "value", "symbol"), [("95 kt", 95.0, "kt"), (" -5.5  deg C", -5.5, "degC"), ("1e3 ft", 1e3, "ft")]
)
def test_quantity(text: str, value: float, symbol: str) -> None:
    number, unit = parse_quantity(text)
    assert (number, unit.symbol) == (value, symbol)


@pytest.mark.parametrize("text", ["95", "kt", "", "95kt", "ninety kt", "95 furlong", "nan kt", "inf kt", "1,5 kt"])
def test_half_a_quantity_is_refused(text: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text)
    assert caught.value.found
