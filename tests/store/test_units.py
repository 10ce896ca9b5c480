"""Unit functions: the same numbers as everywhere else, under names of their own."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.units import to_si
from trimshot.store.connection import connect_memory
from trimshot.store.units import UNIT_FUNCTIONS, define_unit_functions, unit_function_table

_CONNECTION = connect_memory()
define_unit_functions(_CONNECTION)


def ask(expression: str) -> float:
    return float(_CONNECTION.execute(f"SELECT {expression}").fetchall()[0][0])


# exact definitions: knot 1852 m/h; mile 1609.344 m, foot 0.3048 m, pound 0.45359237 kg (yard and pound
# agreement, 1959); degree Fahrenheit (F + 459.67) / 1.8 K; conventional inch of mercury 3386.389 Pa (NIST
# SP 811, appendix B); US gallon 231 cubic inches
@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("kt(90)", 90 * 1852 / 3600),
        ("mph(110)", 110 * 1609.344 / 3600),
        ("ft(5000)", 1524.0),
        ("fpm(-500)", -2.54),
        ("deg(180)", 3.141592653589793),
        ("degc(15)", 288.15),
        ("degf(59)", 288.15),
        ("rpm(2400)", 40.0),
        ("lb(100)", 45.359237),
        ("usgal(10)", 10 * 231 * 0.0254**3),
        ("gph(3600)", 231 * 0.0254**3),
        ("inhg(29.92)", 29.92 * 3386.389),
        ("hpa(1013.25)", 101325.0),
        ("g(1.5)", 1.5),
        ("percent(50)", 0.5),
    ],
)
def test_values_by_definition(expression: str, value: float) -> None:
    assert ask(expression) == pytest.approx(value, rel=2e-7 if "inhg" in expression else 1e-12)


@given(st.sampled_from(sorted(UNIT_FUNCTIONS)), st.integers(-100000, 100000))
def test_equal_to_the_adapters_conversion_to_the_last_bit(name: str, hundredths: int) -> None:
    value = hundredths / 100
    assert ask(f"{name}({value!r})") == to_si(value, UNIT_FUNCTIONS[name])


def test_the_table_for_documentation_lists_them_all() -> None:
    table = unit_function_table()
    assert [row[0] for row in table] == [f"{name}()" for name in UNIT_FUNCTIONS]
    assert ("kt()", "kt", "speed") in table
