"""Times of an IGC file: seconds of the day in every record, the date in a header only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .headers import Extension
from .records import DateHeader

DAY_S = 86400.0
_HALF_DAY_S = DAY_S / 2
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FixTimes:
    """seconds: shape (n,), since 1970 UTC when `dated`, else since midnight of an unknown day.

    midnights: fixes just after one, where no date header had told it. decimals: digits of the stamps.
    """

    seconds: Floats
    dated: bool
    midnights: NDArray[np.int64]
    decimals: int


def seconds_of_day(lines: Sequence[str], fraction: Extension | None = None) -> Floats:
    """hhmmss of timed records as seconds; `fraction` is the column of decimal seconds (TDS)."""
    digits = np.array([line[1:7] for line in lines], dtype="U6").astype(np.float64)
    hours = np.floor(digits / 10000)
    minutes = np.floor(digits / 100) - 100 * hours
    whole: Floats = hours * 3600 + minutes * 60 + (digits - 10000 * hours - 100 * minutes)
    if fraction is None:
        return whole
    parts = [line[fraction.start : fraction.stop] for line in lines]
    decimals = np.array([int(p) / 10 ** len(p) if p.isdecimal() else 0.0 for p in parts])
    return np.asarray(whole + decimals, dtype=np.float64)


def fix_times(lines: Sequence[str], dates: Sequence[DateHeader], fraction: Extension | None) -> FixTimes:
    """Absolute times of the fixes, in file order.

    A step back of more than half a day is midnight; a smaller one is disorder and stays as it is.
    A later date header counts where it fits: not when the midnight was already passed, and not
    when it would put the next fix before the last one.
    """
    of_day = seconds_of_day(lines, fraction)
    steps = np.diff(of_day, prepend=of_day[:1])
    turned = np.cumsum(np.where(steps < -_HALF_DAY_S, 1, np.where(steps > _HALF_DAY_S, -1, 0)))
    midnights = np.flatnonzero(steps < -_HALF_DAY_S)
    digits = fraction.width if fraction else 0
    if not dates:
        return FixTimes(of_day + turned * DAY_S, False, midnights, digits)
    base = np.full(len(of_day), dates[0].day - turned[min(dates[0].fixes_before, len(of_day) - 1)])
    for header in dates[1:]:
        at = header.fixes_before
        if not 0 < at < len(of_day):
            continue
        offset = header.day - turned[at]
        gap = (offset - base[at - 1] + turned[at] - turned[at - 1]) * DAY_S + of_day[at] - of_day[at - 1]
        if gap > 0 and offset != base[at - 1] and not _is_early(of_day, turned, at, gap):
            base[at:] = offset
    told = {header.fixes_before for header in dates[1:]}
    untold = np.array([m for m in midnights if m not in told], dtype=np.int64)
    return FixTimes((base + turned) * DAY_S + of_day, True, untold, digits)


def _is_early(of_day: Floats, turned: NDArray[np.int64], at: int, gap: float) -> bool:
    """A new date written just before its midnight: it would leave a whole-day hole and count twice."""
    later = np.flatnonzero(turned[at:] > turned[at])
    return gap >= DAY_S and len(later) > 0 and DAY_S - of_day[at] < 600.0
