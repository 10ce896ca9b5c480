"""Display units: the one place where SI becomes what people read.

A channel is shown in the unit the settings choose for its kind of quantity, else in the unit of
the vocabulary. Means are converted with their zero; deviations, slopes and errors without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..shared.settings import DISPLAY_DEFAULTS, Settings
from ..shared.units import factors, find_unit
from ..shared.vocabulary import meaning_of, unit_of_channel

# unit a channel is shown in by the vocabulary -> key of [display] in settings.toml that may change it
_SETTING_OF_UNIT = {unit: key for key, unit in DISPLAY_DEFAULTS.items()}
_SETTING_OF_UNIT["ft"] = "altitude"  # lengths of the vocabulary shown in feet are altitudes
_SETTING_OF_UNIT["l"] = "volume"
_SETTING_OF_UNIT["l/h"] = "volume_flow"
_SETTING_OF_UNIT["kg"] = "mass"
_SETTING_OF_UNIT["kg/h"] = "mass_flow"

_DIGITS = {
    "kt": 1, "mph": 1, "km/h": 1, "m/s": 2, "fpm": 0, "ft": 0, "m": 1, "deg": 1, "deg/s": 1, "rpm": 0, "degC": 1, "degF": 1,
    "K": 1, "inHg": 2, "hPa": 1, "bar": 2, "psi": 1, "lb": 0, "kg": 1, "g": 2, "V": 1, "%": 0, "m/s2": 3, "s": 1,
}  # fmt: skip


def display_unit(channel: str, settings: Settings) -> str | None:
    """The unit a channel is shown in, None for words and for raw channels without a unit."""
    entry = meaning_of(channel)
    if entry is None or entry.is_text:
        return None
    unit = entry.display or entry.unit
    key = _SETTING_OF_UNIT.get(unit or "")
    return settings.display_unit(key) if key else unit


def shown(value: float, channel: str, settings: Settings) -> float:
    """A channel's SI value in its display unit."""
    factor, offset = _factors_of(channel, settings)
    return (value - offset) / factor


def shown_difference(value: float, channel: str, settings: Settings) -> float:
    """A difference, slope, deviation or error of a channel in its display unit."""
    return value / _factors_of(channel, settings)[0]


def statistic_shown(
    channel: str, statistic: Mapping[str, Any], settings: Settings, *, type_b: float | None
) -> dict[str, Any]:
    """One statistic as people and JSON get it: mean, deviation, slope_per_s, standard_error, type_b, unit.

    type_b: standard uncertainty of its calibration [SI], None where the settings state none.
    """
    return {
        "mean": clean(shown(statistic["mean"], channel, settings)),
        "deviation": clean(shown_difference(statistic["deviation"], channel, settings)),
        "slope_per_s": clean(shown_difference(statistic["slope_per_s"], channel, settings)),
        "standard_error": clean(shown_difference(statistic["standard_error"], channel, settings)),
        "type_b": None if type_b is None else clean(shown_difference(type_b, channel, settings)),
        "unit": display_unit(channel, settings),
    }


def clean(value: Any) -> Any:
    """JSON's null for a value that is not a number; floats without the noise of their last bits."""
    if isinstance(value, float):
        return None if value != value or value in (float("inf"), float("-inf")) else float(f"{value:.10g}")
    return value


def number(value: float | None, unit: str | None) -> str:
    """A number with the digits its unit deserves, a dash where there is none."""
    if value is None or value != value:
        return "–"
    return _fixed(value, _DIGITS.get(unit or "", 2))


def digits_of(unit: str | None) -> int:
    """Digits after the point that a unit deserves."""
    return _DIGITS.get(unit or "", 2)


def with_band(mean: float | None, band: float | None, unit: str | None) -> str:
    """'95.2 ± 0.3': mean and half its band, digits by the unit."""
    if mean is None or mean != mean:
        return "–"
    if band is None or band != band:
        return number(mean, unit)
    digits = _DIGITS.get(unit or "", 2)
    if 0 < band < 0.5 * 10.0**-digits:
        band = 10.0**-digits
    return f"{_fixed(mean, digits)} ± {band:.{digits}f}"


def _fixed(value: float, digits: int) -> str:
    """Fixed digits; what rounds to zero has no sign."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def shown_unit_symbol(spelling: str | None) -> str | None:
    """The unit of the table a spelling means, None for one that is not in it."""
    unit = find_unit(spelling) if spelling else None
    return unit.symbol if unit else None


def side_text(value: Any, unit: str | None) -> str:
    """What an event changed from or to: a word, or a number with its unit; a dash where there is none."""
    if value is None or value != value:
        return "–"
    if not isinstance(value, float):
        return str(value)
    return f"{value:g}" if unit in (None, "1") else f"{number(value, unit)} {unit}"


def clock_text(basis: str, offset_s: float, uncertainty_s: float | None) -> str:
    """A recorder's clock against UTC, with twice its standard error; satellite time needs no correction."""
    if uncertainty_s is not None and uncertainty_s == uncertainty_s:
        return f"{offset_s:+.2f} ± {2 * uncertainty_s:.2f} s"
    return "UTC as recorded" if basis == "utc" else "not resolved"


def _factors_of(channel: str, settings: Settings) -> tuple[float, float]:
    unit = display_unit(channel, settings)
    if not unit or unit == "1" or unit == unit_of_channel(channel):  # coordinates are kept in degrees as they are shown
        return 1.0, 0.0
    return factors(unit)
