"""A sheet in display units: the one context behind the terminal, JSON, CSV, page and print."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, log10
from typing import Any

from ...shared.settings import DISPLAY_DEFAULTS, Settings
from ...shared.units import factors
from ..display import clean
from .bands import Band
from .sheet import Axis, Cell, Column, Figure, LeftOut, Reference, Series, Sheet, Table

# quantities no setting changes -> unit shown
FIXED_UNITS: dict[str, str] = {
    "time": "s",
    "ratio": "1",
    "share": "%",
    "load_factor": "g",
    "acceleration": "kt/s",
    "count": "1",
    "power": "hp",
    "force": "lbf",
    "probability": "1",
}
_PLAIN = {"ratio", "count", "probability", "load_factor"}  # shown as they are
_DIGITS = {"kt": 1, "mph": 1, "km/h": 1, "m/s": 2, "fpm": 0, "ft": 0, "m": 1, "deg": 1, "rpm": 0, "degC": 1, "degF": 1, "K": 1,
           "lb": 0, "kg": 1, "in": 1, "s": 1, "%": 1, "ft2": 2, "m2": 3, "nm": 2, "km": 2, "hp": 1, "g": 2, "kt/s": 2, "m/s2": 3, "inHg": 2,
           "hPa": 1, "usgal": 1, "l": 1, "usgal/h": 1, "l/h": 1, "lbf": 0}  # fmt: skip


def unit_shown(quantity: str | None, settings: Settings) -> str | None:
    """Display unit of a quantity; None for words and for numbers without a unit."""
    if quantity is None:
        return None
    if quantity in FIXED_UNITS:
        unit = _fixed_unit(quantity, settings)
        return None if unit == "1" else unit
    return settings.display_unit(quantity)


def value_shown(value: float, quantity: str | None, settings: Settings, *, difference: bool = False) -> float:
    """An SI value in the display unit of its quantity; a difference without the shift of the zero."""
    factor, offset = _factors(quantity, settings)
    return value / factor if difference else (value - offset) / factor


def say(value: Band | float | None, quantity: str | None, settings: Settings, *, difference: bool = False) -> str:
    """'95.2 ± 0.3 kt', '95.2 kt (94.1 to 97.0)' when the band is lopsided, '–' for nothing."""
    if value is None or (isinstance(value, float) and value != value):
        return "–"
    unit = unit_shown(quantity, settings)
    tail = f" {unit}" if unit else ""
    if not isinstance(value, Band):
        return _digits_text(value_shown(float(value), quantity, settings, difference=difference), unit) + tail
    if value.value != value.value:
        return "–"
    shown = [value_shown(v, quantity, settings, difference=difference) for v in (value.value, value.low, value.high)]
    return band_text(shown[0], shown[1], shown[2], unit) + tail


def counted(number: int, one: str, several: str | None = None) -> str:
    """'1 flight', '3 flights'."""
    return f"{number} {one if number == 1 else several or one + 's'}"


def range_text(low: float, high: float, quantity: str, settings: Settings) -> str:
    """'80.1 to 110.3 kt', or the one value where both are shown alike."""
    first, last = say(low, quantity, settings), say(high, quantity, settings)
    unit = unit_shown(quantity, settings)
    return last if first == last else f"{first.removesuffix(f' {unit}')} to {last}"


def band_text(value: float, low: float | None, high: float | None, unit: str | None) -> str:
    """'95.2 ± 0.3' or '95.2 (94.1 to 97.0)': as many digits as the unit and the band deserve; all in display units."""
    if low is None or high is None or low != low or high != high:
        return _digits_text(value, unit)
    low, high = min(low, high), max(low, high)
    half = (high - low) / 2
    digits = _digits_for(half, unit)
    down, up = value - low, high - value
    if abs(up - down) <= 0.4 * half or half == 0:
        return f"{_fixed(value, digits)} ± {half:.{digits}f}"
    return f"{_fixed(value, digits)} ({_fixed(low, digits)} to {_fixed(high, digits)})"


def context_of(sheet: Sheet, settings: Settings) -> dict[str, Any]:
    """The whole sheet as plain values in display units: what JSON gives and templates show."""
    return {
        "name": sheet.name,
        "title": sheet.title,
        "statements": [_sentence(one) for one in sheet.statements],
        "cautions": list(sheet.cautions),
        "missing": list(sheet.missing),
        "tables": [_table(one, settings) for one in sheet.tables],
        "figures": [_figure(one, settings) for one in sheet.figures],
        "used": [_reference(one) for one in sheet.used],
        "flights": len({one.sortie for one in sheet.used}),
        "left_out": [_left_out(one) for one in sheet.left_out],
        "facts": dict(sheet.facts),
    }


def _table(table: Table, settings: Settings) -> dict[str, Any]:
    columns = [_column(one, settings) for one in table.columns]
    rows = [
        [_cell(cell, column, settings) for cell, column in zip(row, table.columns, strict=True)] for row in table.rows
    ]
    for position, column in enumerate(columns):
        asked = table.columns[position].quantity is not None
        column["numeric"] = asked or any(isinstance(row[position]["value"], (int, float)) for row in rows)
    return {"title": table.title, "columns": columns, "rows": rows, "note": table.note}


def _sentence(text: str) -> str:
    """With a capital, unless its first word is a name with digits in it: a sortie's."""
    first = text.split(" ", 1)[0]
    return text if any(map(str.isdigit, first)) else text[:1].upper() + text[1:]


def _column(column: Column, settings: Settings) -> dict[str, Any]:
    return {"key": column.key, "head": column.head, "unit": unit_shown(column.quantity, settings)}


def _cell(cell: Cell, column: Column, settings: Settings) -> dict[str, Any]:
    origin = [_reference(one) for one in cell.origin]
    if cell.value is None or isinstance(cell.value, str) or cell.value != cell.value:
        text = cell.value if isinstance(cell.value, str) else "–"
        return {"value": cell.value if isinstance(cell.value, str) else None, "text": text, "origin": origin}
    unit = unit_shown(column.quantity, settings)

    def convert(value: float | None) -> float | None:
        return None if value is None else value_shown(value, column.quantity, settings, difference=column.difference)

    value, low, high = convert(cell.value), convert(cell.low), convert(cell.high)
    assert value is not None
    whole = isinstance(cell.value, int) and low is None and column.quantity in (None, "count")
    if column.quantity == "count" and low is None and not whole:
        text = f"{value:.0f}" if value == int(value) else f"{value:.1f}"
    elif column.quantity == "probability" and low is None:
        text = probability_text(value)
    else:
        text = str(cell.value) if whole else band_text(value, low, high, unit)
    return {"value": clean(value), "low": clean(low), "high": clean(high), "text": text, "origin": origin}


def _figure(figure: Figure, settings: Settings) -> dict[str, Any]:
    def axis(one: Axis) -> dict[str, Any]:
        return {"label": one.label, "unit": unit_shown(one.quantity, settings)}

    series = [_series(one, figure, settings) for one in figure.series]
    return {
        "title": figure.title,
        "x": axis(figure.x),
        "y": axis(figure.y),
        "series": series,
        "note": figure.note,
        "categories": list(figure.categories),
    }


def _series(series: Series, figure: Figure, settings: Settings) -> dict[str, Any]:
    def along(values: tuple[float, ...], axis: Axis) -> list[float | None]:
        return [clean(float(value_shown(v, axis.quantity, settings, difference=axis.difference))) for v in values]

    return {
        "label": series.label,
        "style": series.style,
        "pair": series.pair,
        "x": list(series.x) if figure.categories else along(series.x, figure.x),
        "y": along(series.y, figure.y),
        "y_low": along(series.y_low, figure.y),
        "y_high": along(series.y_high, figure.y),
        "origin": [_reference(one) for one in series.origin],
    }


def _reference(one: Reference) -> dict[str, Any]:
    facts = {"sortie": one.sortie, "number": one.number, "start_s": clean(one.start_s), "stop_s": clean(one.stop_s)}
    return {key: value for key, value in facts.items() if value is not None}


def _left_out(one: LeftOut) -> dict[str, Any]:
    return {
        "what": one.what,
        "reason": one.reason,
        **({"reference": _reference(one.reference)} if one.reference else {}),
    }


def csv_records(sheet: Sheet, settings: Settings) -> Iterator[dict[str, Any]]:
    """One record per row of every table, `table` first, each number with its low and high and the unit in the key."""
    context = context_of(sheet, settings)
    for table in context["tables"]:
        for row in table["rows"]:
            record: dict[str, Any] = {"table": table["title"]}
            for column, cell in zip(table["columns"], row, strict=True):
                head = f"{column['key']} [{column['unit']}]" if column["unit"] else column["key"]
                record[head] = cell["value"]
                if cell.get("low") is not None:
                    record[f"{head} low"], record[f"{head} high"] = cell["low"], cell["high"]
            yield record


def _fixed_unit(quantity: str, settings: Settings) -> str:
    """The unit of FIXED_UNITS; a change of speed in m/s2 where speeds are shown in metric units."""
    if quantity == "acceleration" and settings.display_unit("speed") in ("km/h", "m/s"):
        return "m/s2"
    return FIXED_UNITS[quantity]


def _factors(quantity: str | None, settings: Settings) -> tuple[float, float]:
    if quantity is None or quantity in _PLAIN:
        return (1.0, 0.0)
    unit = _fixed_unit(quantity, settings) if quantity in FIXED_UNITS else settings.display_unit(quantity)
    return factors(unit)


def _digits_text(value: float, unit: str | None) -> str:
    if unit is None and value == int(value) and abs(value) < 1e6:
        return f"{value:.0f}"
    return _fixed(value, _DIGITS.get(unit or "", 3))


def probability_text(value: float) -> str:
    """A probability with two digits that count; what is too small to mean more is 'below 0.001', never 0."""
    return "below 0.001" if value < 0.001 else f"{value:.2g}"


def _fixed(value: float, digits: int) -> str:
    """Fixed digits; what rounds to zero has no sign."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _digits_for(half: float, unit: str | None) -> int:
    """Digits after the point: the unit's own, more where the band is narrower than those can tell; without unit two of the band."""
    if unit is None and 0 < half < 100:
        return max(0, min(5, 1 - floor(log10(half))))
    digits = _DIGITS.get(unit or "", 3)
    while 0 < half < 0.95 * 10.0**-digits and digits < 5:
        digits += 1
    return digits


QUANTITIES: frozenset[str] = frozenset(DISPLAY_DEFAULTS) | frozenset(FIXED_UNITS)
