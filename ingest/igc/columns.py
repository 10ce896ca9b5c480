"""The samples of an IGC file's fix and slow records, as written.

Units are fixed by the format: metres, kilometres per hour, degrees; a speed or direction has three
digits before its decimals, however wide its column is. Source: FAI technical specification for
GNSS flight recorders, appendix A (units; speed SSSsss, direction DDDddd). Its own example of a slow
record, 00090 for a heading of 90 degrees, pads with zeros in front instead: where the leading digits
are zero throughout the file, the number is whole, and a finding says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ..lines import name_lines
from ..raw import RawColumn
from .headers import Extension

Floats = NDArray[np.float64]
_WHOLE_DIGITS = 3

# code -> (channel, unit, whether digits beyond the third are decimals)
_KNOWN: dict[str, tuple[str | None, str, bool]] = {
    "FXA": ("fix_accuracy", "m", False),
    "SIU": ("satellites", "1", False),
    "TAS": ("recorded_true_airspeed", "km/h", True),
    "IAS": ("indicated_airspeed", "km/h", True),
    "GSP": ("ground_speed", "km/h", True),
    "TRT": ("track_true", "deg", True),
    "HDT": ("heading_true", "deg", True),
    "HDM": ("heading_magnetic", "deg", True),
    "ENL": (None, "1", False),  # noise level at the recorder, 0 to 999 without a unit
    "MOP": (None, "1", False),  # means-of-propulsion sensor, likewise
}
_TIME_OR_PLACE = frozenset({"TDS", "LAD", "LOD"})


def coordinate(lines: Sequence[str], *, start: int, width: int, finer: Extension | None) -> tuple[Floats, float]:
    """(degrees, resolution in degrees) of latitude (start 7, width 2) or longitude (start 15, width 3).

    `finer` is the column of further decimals of the minutes. NaN where digits are missing.
    """
    stop = start + width + 5
    digits = numbers([line[start:stop] for line in lines])
    whole = np.floor(digits / 1e5)
    minutes = (digits - whole * 1e5) / 1e3
    step = 1e-3
    if finer is not None:
        more = numbers([line[finer.start : finer.stop] for line in lines])
        step = 1e-3 / 10**finer.width
        minutes = minutes + np.nan_to_num(more) * step
    values = whole + minutes / 60.0
    sign = np.array([-1.0 if line[stop] in "SW" else 1.0 for line in lines])
    limit = 90.0 if width == 2 else 180.0
    return np.where((minutes < 60.0) & (values <= limit), values * sign, np.nan), step / 60.0


def numbers(texts: Sequence[str]) -> Floats:
    """Whole numbers with an optional minus; NaN for anything else."""
    return np.array([float(t) if t.isdecimal() or (t[:1] == "-" and t[1:].isdecimal()) else np.nan for t in texts])


def extension_columns(
    records: Sequence[tuple[int, str]], extensions: Sequence[Extension]
) -> tuple[list[RawColumn], list[Finding]]:
    """Columns the I or J record announces; fields that cannot be read are missing and told."""
    columns, findings = [], []
    times = Counter[str]()
    for extension in extensions:
        if extension.code in _TIME_OR_PLACE:
            continue
        texts = [_field(line, extension) for _, line in records]
        column, values = _column(extension, texts)
        times[extension.code] += 1
        if times[extension.code] > 1:  # announced again: the first holds the channel, this one is kept beside it
            column = replace(column, header=f"{extension.code} {times[extension.code]}", channel=None)
        columns.append(column)
        if _is_padded(extension, values):
            text = f"{extension.code} has leading zeros throughout: read as whole numbers, without decimals"
            findings.append(Finding("UNIT_INFERRED", text, "note", extension.code))
        written = np.array([bool(t.strip()) for t in texts], dtype=bool)
        bad = np.flatnonzero(written & ~np.isfinite(values)).tolist()
        if len(bad):
            where = name_lines(records[i][0] for i in bad)
            text = f"{extension.code} cannot be read"
            findings.append(Finding("BAD_EXTENSION_FIELD", text, "doubt", where, len(bad)))
    return columns, findings


def _field(line: str, extension: Extension) -> str:
    """The field's text; one the end of the line cuts gets a mark, for its first digits are another number."""
    text = line[extension.start : extension.stop]
    return f"{text}?" if text.strip() and len(line) < extension.stop else text


def _is_padded(extension: Extension, values: Floats) -> bool:
    """A wide speed or direction that never needs its leading digits; all zeros decide nothing."""
    known = values[np.isfinite(values)]
    wide = extension.width > _WHOLE_DIGITS and _KNOWN.get(extension.code, (None, "", False))[2]
    return wide and len(known) > 0 and 0 < float(known.max()) < 10.0**_WHOLE_DIGITS


def _column(extension: Extension, texts: list[str]) -> tuple[RawColumn, Floats]:
    code = extension.code
    values = numbers([t.strip() for t in texts])
    if code == "OAT" and extension.width <= _WHOLE_DIGITS:
        return RawColumn(code, values, "degC", "outside_air_temperature", 1.0), values
    if code not in _KNOWN:
        # decimals and unit of other codes are not fixed by the column's width: kept as written
        return RawColumn(code, values, None, None, 1.0), values
    channel, unit, has_decimals = _KNOWN[code]
    whole = not has_decimals or _is_padded(extension, values)
    scale = 1.0 if whole else 10.0 ** -max(0, extension.width - _WHOLE_DIGITS)
    if channel in ("recorded_true_airspeed", "indicated_airspeed") and not np.nan_to_num(values).any():
        values = np.full(len(values), np.nan)  # announced and never measured
    return RawColumn(code, values * scale, unit, channel, scale), values
