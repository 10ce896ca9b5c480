"""Which column or columns hold the time: found by content together with the name, never by the name alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.errors import ClockError
from ...shared.units import find_unit
from .dateparts import find_parts, with_slashes
from .headers import Heading
from .stamps import stamp_kind

Kind = Literal[
    "datetime", "date_time", "time", "minute_second", "epoch", "gps_week", "serial_day", "clock_number", "elapsed",
    "lost_epoch", "gps_seconds", "day_time", "unix_day", "parts",
]  # fmt: skip
Column: TypeAlias = NDArray[np.float64] | pa.Array

_WORDS = re.compile(r"[A-Z]?[a-zà-ÿ]+|[A-Z]+(?![a-zà-ÿ])|\d+")
TIME_WORDS = frozenset([
    "t", "time", "utc", "gmt", "zulu", "timestamp", "stamp", "epoch", "unix", "posix", "elapsed", "seconds",
    "secs", "sec", "ms", "msec", "millis", "millisec", "milliseconds", "us", "usec", "micros", "microseconds",
    "ns", "nsec", "nanos", "tow", "clock", "uptime", "runtime", "datetime", "local", "zeit", "uhrzeit",
    "zeitstempel", "temps", "heure", "tiempo", "hora", "tempo", "ora", "tid", "tijd", "ticks", "tick",
])  # fmt: skip
_CLOCK_WORDS = frozenset(["utc", "gmt", "zulu", "hhmmss", "local", "clock", "uhrzeit", "heure", "hora"])
_DATE_WORDS = frozenset(["date", "datum", "fecha", "data", "dato", "day", "dag"])
_WEEK_WORDS = frozenset(["week", "wk", "wn", "weeknumber", "gpsweek"])
_TOW_WORDS = frozenset(["tow", "itow", "sow", "ttow", "seconds", "sec", "secs", "gpstow", "gpssec", "ms"])
_OF_WEEK_WORDS = frozenset(["tow", "itow", "sow", "ttow", "gpstow"])
WEEK_S = 604800.0
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
_NAME_SECONDS = {
    "ms": 1e-3, "msec": 1e-3, "millis": 1e-3, "millisec": 1e-3, "milliseconds": 1e-3,
    "us": 1e-6, "usec": 1e-6, "micros": 1e-6, "microseconds": 1e-6, "ns": 1e-9, "nsec": 1e-9, "nanos": 1e-9,
    "seconds": 1.0, "secs": 1.0, "sec": 1.0, "s": 1.0,
}  # fmt: skip
UNIX_DAYS = (7_305, 29_221)  # days since 1970 of 1990 to 2050; as a spreadsheet's, counted from 1900, before 1980
EPOCH_LOW, EPOCH_HIGH = 3.2e8, 4.2e9  # 1980 to 2103
_EPOCH_SCALES = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))


@dataclass(frozen=True)
class TimeColumns:
    """The time's kind, the positions of its columns (date before time, week before seconds) and its scale.

    seconds: seconds per count for numeric times; None where neither name nor unit tells.
    """

    kind: Kind
    positions: tuple[int, ...]
    seconds: float | None = None
    unit: str = ""
    because: str = ""


def words_of(name: str) -> list[str]:
    """The words of a header, lower case: 'LocalTime' -> local, time."""
    return [w.lower() for part in re.split(r"[_\W]+", name) for w in _WORDS.findall(part)]


def require_time(columns: Sequence[Column], headings: Sequence[Heading], complaint: str, *, where: str) -> TimeColumns:
    """The file's time. Raises ClockError, saying `complaint` and the columns there are, when none holds one."""
    found = find_time(columns, headings)
    if found is None:
        names = ", ".join(heading.header for heading in headings[:12])
        raise ClockError(
            complaint,
            where=where,
            found=f"columns {names}",
            code="NO_TIME_CHANNEL",
            do="export the file with its time column",
        )
    return found


def find_time(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    """The file's time, or None. Absolute times win over times of day, these over elapsed counts."""
    kinds = {i: _stamp_kind(c) for i, c in enumerate(columns) if not isinstance(c, np.ndarray)}
    return (
        _by_stamps(kinds, headings, "datetime", "dates with times")
        or _by_stamps(kinds, headings, "day_time", "days of the year with times")
        or _by_date_and_time(kinds, columns, headings)
        or _by_parts(columns, headings)
        or _by_epoch(columns, headings)
        or _by_gps_week(columns, headings)
        or _by_serial_day(columns, headings)
        or _by_stamps(kinds, headings, "time", "times of day")
        or _by_minute_second(kinds, headings)
        or _by_clock_number(columns, headings)
        or _by_gps_seconds(columns, headings)
        or _by_elapsed(columns, headings)
        or _by_lost_epoch(columns, headings)
    )


def _stamp_kind(column: pa.Array) -> str | None:
    """What most of up to 60 stamps spread over the column are."""
    step = max(1, len(column) // 60)
    some = [t for t in column.take(pa.array(np.arange(0, len(column), step))).to_pylist() if t]
    if not some:
        return None
    kinds = [stamp_kind(t) for t in some]
    best = max(set(kinds), key=kinds.count)
    if best == "minute_second" and kinds.count("time") and kinds.count("time") + kinds.count(best) > 0.8 * len(some):
        return "time"
    return best if kinds.count(best) > 0.6 * len(some) else None


def _rank(position: int, heading: Heading) -> tuple[int, int]:
    words = words_of(heading.written)
    return (0 if "utc" in words or "gmt" in words else 1 if set(words) & TIME_WORDS else 2, position)


def _by_stamps(kinds: dict[int, str | None], headings: Sequence[Heading], kind: Kind, says: str) -> TimeColumns | None:
    """The best-named column whose stamps are of one kind; says: what it holds, in words."""
    found = [i for i, one in kinds.items() if one == kind]
    if not found:
        return None
    best = min(found, key=lambda i: _rank(i, headings[i]))
    return TimeColumns(kind, (best,), because=f"column {best + 1} holds {says}")


def _by_date_and_time(
    kinds: dict[int, str | None], columns: Sequence[Column], headings: Sequence[Heading]
) -> TimeColumns | None:
    dates = [i for i, kind in kinds.items() if kind == "date"]
    dates += [
        i
        for i, c in enumerate(columns)
        if isinstance(c, np.ndarray) and set(words_of(headings[i].written)) & _DATE_WORDS and _are_plain_dates(c)
    ]
    short = [
        i
        for i, c in enumerate(columns)
        if set(words_of(headings[i].written)) & _DATE_WORDS and with_slashes(c) is not c
    ]
    dates += short
    times = [i for i, kind in kinds.items() if kind == "time" and i not in short] + _clock_numbers(columns, headings)
    if not times:
        return _by_seconds_of_day(dates, columns, headings) or _by_day_fractions(dates, columns, headings)
    if not dates:
        return None
    time = min(times, key=lambda i: _rank(i, headings[i]))
    date = min(dates, key=lambda i: (abs(i - time), i))
    return TimeColumns("date_time", (date, time), because=f"column {date + 1} holds dates, column {time + 1} times")


def _by_seconds_of_day(
    dates: Sequence[int], columns: Sequence[Column], headings: Sequence[Heading]
) -> TimeColumns | None:
    """Dates beside seconds that are named as those of the day."""
    for i in _numeric(columns, headings, TIME_WORDS | {"sod"}, first=False):
        words = set(words_of(headings[i].written))
        said = words & {"midnight", "sod"} or {"of", "day"} <= words
        values = np.asarray(columns[i], np.float64)
        hours = (
            find_unit(headings[i].unit or "?") == find_unit("h") and 1 <= np.nanmin(values) <= np.nanmax(values) < 48
        )
        if dates and (hours or (said and np.nanmax(values) < 2 * 86_400)):
            date = min(dates, key=lambda k: abs(k - i))
            because = f"column {i + 1} holds {'hours' if hours else 'seconds'} of the day"
            return TimeColumns("date_time", (date, i), 3600.0 if hours else 1.0, because=because)
    return None


def _by_day_fractions(
    dates: Sequence[int], columns: Sequence[Column], headings: Sequence[Heading]
) -> TimeColumns | None:
    """Times of day as a spreadsheet keeps them, below one and rising, beside dates or whole day numbers."""
    times = [
        i
        for i in _numeric(columns, headings, TIME_WORDS, first=False)
        if headings[i].unit is None and _are_fractions(np.asarray(columns[i], np.float64))
    ]
    days = [i for i, c in enumerate(columns) if isinstance(c, np.ndarray) and _are_whole_days(c, headings[i])]
    if not times or not (dates or days):
        return None
    date = min(dates or days, key=lambda i: (abs(i - times[0]), i))
    because = f"column {date + 1} holds {'dates' if dates else 'day numbers'}, column {times[0] + 1} parts of a day"
    return TimeColumns("date_time" if dates else "serial_day", (date, times[0]), because=because)


def _are_fractions(values: NDArray[np.float64]) -> bool:
    good = values[np.isfinite(values)]
    return len(good) > 1 and bool(good.max() < 1 and np.median(np.diff(good)) < 0.007)  # ten minutes


def _are_whole_days(values: NDArray[np.float64], heading: Heading) -> bool:
    good = values[np.isfinite(values)]
    if not len(good) or not set(words_of(heading.written)) & _DATE_WORDS:
        return False
    return bool((good % 1 == 0).all() and good.min() >= UNIX_DAYS[1] and good.max() <= 80_000)


def _are_plain_dates(values: NDArray[np.float64]) -> bool:
    good = values[np.isfinite(values)]
    month, day = good // 100 % 100, good % 100
    inside = (good >= 19800101) & (good <= 21001231) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    return bool(len(good) and inside.all())


def _by_parts(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    found = find_parts(columns, [words_of(h.written) for h in headings])
    because = "every part of the moment has a column of its own"
    return TimeColumns("parts", found[1], unit=found[0], because=because) if found else None


def _by_minute_second(kinds: dict[int, str | None], headings: Sequence[Heading]) -> TimeColumns | None:
    found = [i for i, kind in kinds.items() if kind == "minute_second"]
    named = [i for i in found if i == 0 or set(words_of(headings[i].written)) & TIME_WORDS]
    return TimeColumns("minute_second", (named[0],), because="stamps of minutes and seconds only") if named else None


def _numeric(
    columns: Sequence[Column], headings: Sequence[Heading], words: frozenset[str], *, first: bool
) -> list[int]:
    """Positions of rising number columns named with one of the words (or, if `first`, the first column)."""
    out = []
    for i, column in enumerate(columns):
        if not isinstance(column, np.ndarray):
            continue
        unit = find_unit(headings[i].unit or "?")
        named = bool(set(words_of(headings[i].written)) & words) or (unit is not None and unit.kind == "time")
        other_unit = unit is not None and unit.kind != "time"
        if (
            (named or (first and i == 0))
            and not other_unit
            and (_rises(column) or (named and _counts_down_to_zero(column)))
        ):
            out.append(i)
    return out


def _rises(values: NDArray[np.float64]) -> bool:
    good = values[np.isfinite(values)]
    if len(good) < 2:
        return len(good) == 1
    steps = np.diff(good)
    return bool((steps >= 0).mean() >= 0.5 and (steps > 0).any() and good.min() >= 0)


def _counts_down_to_zero(values: NDArray[np.float64]) -> bool:
    """Seconds before and after an event the recorder waited for: from below zero on, always rising."""
    good = values[np.isfinite(values)]
    return bool(len(good) > 1 and good[0] < 0 <= good[-1] and (np.diff(good) > 0).all())


def _by_epoch(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    for i in _numeric(columns, headings, TIME_WORDS | _DATE_WORDS, first=True):
        values: NDArray[np.float64] = np.asarray(columns[i], np.float64)
        if _of_week(values, headings[i]) is not None:
            continue  # milliseconds of a week have the size of seconds of the eighties
        middle = float(np.nanmedian(values))
        minutes = [(60.0, "min")] if set(words_of(headings[i].written)) & {"min", "mins", "minutes"} else []
        for scale, unit in (*minutes, *_EPOCH_SCALES):
            if EPOCH_LOW <= middle * scale <= EPOCH_HIGH:
                if len(np.unique(values[np.isfinite(values)])) <= max(1, len(values) // 50) and len(values) > 4:
                    return TimeColumns("lost_epoch", (i,), because="epoch stamps rounded to a few values")
                return TimeColumns("epoch", (i,), scale, unit, f"around {middle:.0f}: {unit} since 1970")
    return None


def _by_gps_week(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    weeks = [
        i
        for i, c in enumerate(columns)
        if isinstance(c, np.ndarray)
        and set(words_of(headings[i].written)) & _WEEK_WORDS
        and np.nanmin(c, initial=0) >= 0
        and np.nanmax(c, initial=0) <= 5000
    ]
    seconds = [i for i in _numeric(columns, headings, _TOW_WORDS | TIME_WORDS, first=False) if i not in weeks]
    if not weeks or not seconds:
        return None
    best = min(seconds, key=lambda i: abs(i - weeks[0]))
    scale = 1e-3 if float(np.nanmax(np.asarray(columns[best]))) > 700_000 else 1.0
    return TimeColumns("gps_week", (weeks[0], best), scale, "ms" if scale < 1 else "s", "GPS week and seconds of week")


def _by_gps_seconds(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    """Seconds of a satellite week whose number is nowhere."""
    for i in _numeric(columns, headings, TIME_WORDS | _TOW_WORDS, first=False):
        scale = _of_week(np.asarray(columns[i], np.float64), headings[i])
        if scale is not None:
            return TimeColumns(
                "gps_seconds", (i,), scale, "ms" if scale < 1 else "s", "seconds of the GPS week, no week"
            )
    return None


def _of_week(values: NDArray[np.float64], heading: Heading) -> float | None:
    """Seconds per count of a column named as a count of the satellite week, and never beyond one; None for others."""
    words = set(words_of(heading.written))
    if not (words & _OF_WEEK_WORDS or (words & _WEEK_WORDS and words & _TOW_WORDS)):
        return None
    last = float(np.nanmax(values))
    scale = 1e-3 if last > 700_000 else 1.0
    return scale if last * scale <= WEEK_S else None


def _by_serial_day(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    for i in _numeric(columns, headings, TIME_WORDS | _DATE_WORDS, first=True):
        values: NDArray[np.float64] = np.asarray(columns[i], np.float64)
        values = values[np.isfinite(values)]
        inside = len(values) > 1 and values.min() >= UNIX_DAYS[0] and values.max() <= 80_000 and np.ptp(values) < 40
        if not (inside and (values % 1 != 0).mean() > 0.5 and np.median(np.diff(values)) < 0.02):
            continue
        middle = float(np.median(values))
        if middle >= UNIX_DAYS[1]:
            return TimeColumns("serial_day", (i,), 86400.0, "day", f"around {middle:.5f}: day numbers")
        if set(words_of(headings[i].written)) & (TIME_WORDS | _DATE_WORDS | {"days"}):
            because = f"around {middle:.5f}: days since 1970, a spreadsheet's would lie before 1980"
            return TimeColumns("unix_day", (i,), 86400.0, "day", because)
    return None


def _by_clock_number(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    found = _clock_numbers(columns, headings)
    because = "numbers read hhmmss: no minute or second above 59"
    return TimeColumns("clock_number", (found[0],), because=because) if found else None


def _clock_numbers(columns: Sequence[Column], headings: Sequence[Heading]) -> list[int]:
    """hhmmss written as a number: minutes and seconds never reach 60 although the numbers span hundreds."""
    out = []
    for i in _numeric(columns, headings, TIME_WORDS, first=False):
        values: NDArray[np.float64] = np.asarray(columns[i], np.float64)
        values = values[np.isfinite(values)]
        if headings[i].unit or not len(values) or values.max() >= 240_000 or values.max() < 1000:
            continue
        ordinary = (values % 100 < 60) & (values // 100 % 100 < 60)
        spread = len(np.unique(values // 100)) > 2 and len(values) > 20
        beyond = values.min() > 86_400 and bool(set(words_of(headings[i].written)) & _CLOCK_WORDS)  # no second of a day
        if ordinary.all() and (spread or beyond):
            out.append(i)
    return out


def _by_lost_epoch(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    """Epoch stamps a spreadsheet rounded to one value for all rows."""
    for i, column in enumerate(columns):
        if isinstance(column, np.ndarray) and set(words_of(headings[i].written)) & (TIME_WORDS | _DATE_WORDS):
            middle = float(np.nanmedian(column)) if np.isfinite(column).any() else 0.0
            if any(EPOCH_LOW <= middle * scale <= EPOCH_HIGH for scale, _ in _EPOCH_SCALES):
                return TimeColumns("lost_epoch", (i,), because="epoch stamps rounded to a few values")
    return None


def _by_elapsed(columns: Sequence[Column], headings: Sequence[Heading]) -> TimeColumns | None:
    found = _numeric(columns, headings, TIME_WORDS, first=False)
    if not found:
        found = [i for i in _numeric(columns, headings, frozenset(), first=True) if _is_even(np.asarray(columns[i]))]
    if not found:
        return None
    best = found[0]
    scale, because = _count_seconds(headings[best])
    return TimeColumns("elapsed", (best,), scale, because=f"column {best + 1} is a rising count; {because}")


def _is_even(values: NDArray[np.float64]) -> bool:
    """True for a count that rises by nearly equal steps."""
    steps = np.diff(values[np.isfinite(values)])
    if len(steps) < 2:
        return False
    middle = float(np.median(steps))
    return bool(middle > 0 and (np.abs(steps - middle) <= 0.5 * middle).mean() > 0.8)


def _count_seconds(heading: Heading) -> tuple[float | None, str]:
    unit = find_unit(heading.unit) if heading.unit else None
    if unit is not None and unit.symbol in _SECONDS:
        return _SECONDS[unit.symbol], f"its unit is {heading.unit}"
    for word in words_of(heading.written):
        if word in _NAME_SECONDS:
            return _NAME_SECONDS[word], f"its name says {word}"
    return None, "its unit is not stated"
