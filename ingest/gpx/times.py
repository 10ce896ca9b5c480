"""Time stamps of track points: ISO 8601 with Z, with an offset, or without any zone."""

from __future__ import annotations

import datetime as dt
import re

_STAMP = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[T ](\d{2}):(\d{2}):(\d{2})(?:[.,](\d+))?\s*(Z|z|[+-]\d{2}:?\d{2})?", re.ASCII
)
_EPOCH = dt.date(1970, 1, 1).toordinal()


def read_stamp(text: str) -> tuple[float, float | None, int] | None:
    """(seconds since 1970 in its own zone, zone offset in s or None, digits behind the point).

    Second 60 and 24:00:00 count on. None for what is no stamp.
    """
    match = _STAMP.fullmatch(text.strip())
    if not match:
        return None
    try:
        day = dt.date(int(match[1]), int(match[2]), int(match[3])).toordinal() - _EPOCH
    except ValueError:
        return None
    hours, minutes, seconds = int(match[4]), int(match[5]), int(match[6])
    last = hours == 24 and minutes == seconds == 0
    if (hours > 23 and not last) or minutes > 59 or seconds > 60:
        return None
    digits = match[7] or ""
    whole = day * 86400 + hours * 3600 + minutes * 60 + seconds
    return float(f"{whole}.{digits or 0}") if whole >= 0 else float(whole), _zone(match[8]), len(digits)


def _zone(text: str | None) -> float | None:
    if text is None:
        return None
    if text in "Zz":
        return 0.0
    sign = -1.0 if text[0] == "-" else 1.0
    return sign * (int(text[1:3]) * 3600 + int(text[-2:]) * 60)
