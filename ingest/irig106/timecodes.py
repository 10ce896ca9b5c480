"""Time packets to a straight line from the relative time counter to UTC; impossible and odd codes left out.

Time data packet, format 1: IRIG 106 Chapter 10; binary coded decimal digits, day of year or
day-month-year.
"""

from __future__ import annotations

import datetime as dt
import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ..timeline import rows_text
from .packets import COUNTER_SIZE, TICK_S, Packet

Floats = NDArray[np.float64]
DAY_S = 86400.0
ODD_S = 0.5  # a code this far off the others' line is left out; codes count hundredths of a second
SLOPE_SPAN_S = 120.0  # shorter recordings take the counter's nominal rate
FORMATS = {0: "IRIG-B", 1: "IRIG-A", 2: "IRIG-G", 3: "recorder's real-time clock", 4: "UTC from GPS", 5: "native GPS"}
SOURCES = {0: "internal", 1: "external", 2: "internal, from the memory module", 3: "none"}
_EPOCH = dt.date(1970, 1, 1).toordinal()


@dataclass(frozen=True, slots=True)
class TimeCode:
    """One time packet. seconds: of the day; day: ordinal from 1970, or day of the year when `year` is None."""

    order: int  # among the time packets of the file, from 1
    channel: int
    counter: int
    form: int
    source: int
    leap: bool
    year: int | None
    day: int
    seconds: float


@dataclass
class TimeLine:
    """UTC (or day-of-year) seconds of a counter: seconds = offset + (counter - origin) * slope."""

    origin: int
    offset: float
    slope: float
    codes: list[TimeCode] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    odd: list[tuple[int, str]] = field(default_factory=list)  # (order, how far off)

    @property
    def first(self) -> TimeCode:
        """The first code the line goes through."""
        return self.codes[0]

    def seconds(self, counters: NDArray[np.int64]) -> Floats:
        """Seconds of counters in ticks, shape (n,)."""
        return self.offset + (counters - self.origin).astype(np.float64) * self.slope


def read_code(packet: Packet, body: bytes, order: int) -> TimeCode | str:
    """The packet's time code, or what is wrong with it."""
    if len(body) < 12:
        return f"{len(body)} bytes instead of 12"
    word = struct.unpack_from("<I", body)[0]
    form, source = word >> 4 & 15, word & 15
    leap, with_month = bool(word >> 8 & 1), bool(word >> 9 & 1)
    if form == 15:
        return "the packet says its content is not valid"
    low, middle, third = struct.unpack_from("<3H", body, 4)
    fourth = struct.unpack_from("<H", body, 10)[0] if with_month and len(body) >= 12 else 0
    digits = [*_nibbles(low), *_nibbles(middle), *_nibbles(third), *_nibbles(fourth)]
    if any(d > 9 for d in digits):
        return "digits above 9"
    seconds = (low >> 12) * 10 + (low >> 8 & 15) + (low >> 4 & 15) / 10 + (low & 15) / 100
    minutes = (middle >> 4 & 15) * 10 + (middle & 15)
    hours = (middle >> 12) * 10 + (middle >> 8 & 15)
    if seconds >= 61 or minutes > 59 or hours > 23:
        return _say_impossible(hours, minutes, seconds)
    of_day = hours * 3600.0 + minutes * 60.0 + seconds
    date = _date(third, fourth, leap) if with_month else _day_of_year(third, leap)
    if isinstance(date, str):
        return date
    return TimeCode(order, packet.channel, packet.counter, form, source, leap, date[0], date[1], of_day)


def _nibbles(word: int) -> tuple[int, int, int, int]:
    return word >> 12, word >> 8 & 15, word >> 4 & 15, word & 15


def _say_impossible(hours: int, minutes: int, seconds: float) -> str:
    if seconds >= 61:
        return f"{seconds:g} s"
    return f"{minutes} min" if minutes > 59 else f"{hours} h"


def _day_of_year(word: int, leap: bool) -> tuple[None, int] | str:
    day = (word >> 8) * 100 + (word >> 4 & 15) * 10 + (word & 15)
    return (None, day) if 1 <= day <= 365 + leap else f"day {day} of the year"


def _date(month_day: int, year_word: int, leap: bool) -> tuple[int, int] | str:
    month, day = (month_day >> 12) * 10 + (month_day >> 8 & 15), (month_day >> 4 & 15) * 10 + (month_day & 15)
    year = sum(d * 10**k for d, k in zip(_nibbles(year_word), (3, 2, 1, 0), strict=True))
    try:
        return year, dt.date(year, month, day).toordinal() - _EPOCH
    except ValueError:
        return f"day {day} month {month} year {year}"


LEAST_SHARE = 0.2  # of the packets of the clock with the most; a clock with fewer was hardly there
APART_S = 1.0
_EXTERNAL = 1


def rank_clocks(codes: list[TimeCode]) -> list[list[TimeCode]]:
    """The codes of each clock of the file, the one to be believed first.

    A recorder's own clock comes after any other, one without a year after one with it, an internal source after an external
    one; then the one with the most packets. `codes` must not be empty.
    """
    clocks: dict[tuple[int, bool], list[TimeCode]] = {}
    for code in codes:
        clocks.setdefault((code.channel, code.year is None), []).append(code)
    most = max(map(len, clocks.values()))

    def rank(clock: list[TimeCode]) -> tuple[bool, bool, bool, bool, int]:
        first = clock[0]
        rare = len(clock) < LEAST_SHARE * most
        return rare, first.form == 3, first.year is None, first.source != _EXTERNAL, -len(clock)

    return sorted(clocks.values(), key=rank)


def compare_clocks(taken: TimeLine, other: TimeLine) -> list[Finding]:
    """What a second clock of the file says, where it is another time; whole days count only where both state the year."""
    apart = float(other.seconds(np.array([taken.origin]))[0]) - taken.offset
    one, two = other.first, taken.first
    if one.form == 5 or two.form == 5:  # the satellites' scale is ahead by the leap seconds
        return []
    if (one.year is None) != (two.year is None):
        apart = (apart + DAY_S / 2) % DAY_S - DAY_S / 2
    if abs(apart) < APART_S:
        return []
    text = (
        f"the clock of channel {one.channel} ({FORMATS.get(one.form, 'unknown form')}) stands {apart:+.2f} s from that of "
        f"channel {two.channel} ({FORMATS.get(two.form, 'unknown form')}), which was taken"
    )
    return [Finding("CLOCK_OFFSET", text, "note", f"channel {one.channel}", facts={"seconds": apart})]


MOST_DRIFT = 0.01  # seconds a second; a crystal does a thousand times better, damage does anything


def fit_line(codes: list[TimeCode], wrap: int) -> TimeLine:
    """The line most codes lie on. `codes` must not be empty; `wrap`: ticks to add to small counters (see packets)."""
    counters = np.array([widen(c.counter, wrap) for c in codes], dtype=np.int64)
    origin = int(counters.min())
    elapsed = (counters - origin).astype(np.float64) * TICK_S
    absolute = _past_new_year(np.array([c.day * DAY_S + c.seconds for c in codes]), codes)
    zeros = absolute - elapsed
    slope_s = _drift(elapsed, zeros)
    if abs(slope_s) > MOST_DRIFT:
        slope_s = 0.0
    spare = zeros - slope_s * elapsed
    good = np.abs(spare - _densest(spare)) <= ODD_S
    if slope_s and good.sum() >= 10 and np.ptp(elapsed[good]) > 0.1 * elapsed.max():
        slope_s = float(np.polyfit(elapsed[good], zeros[good] - zeros[good][0], 1)[0])
    offset = float(np.mean((zeros - slope_s * elapsed)[good]))
    line = TimeLine(origin, offset, (1.0 + slope_s) * TICK_S, [c for c, g in zip(codes, good, strict=True) if g])
    _report_odd(codes, spare - _densest(spare), good, line)
    return line


def _past_new_year(absolute: Floats, codes: list[TimeCode]) -> Floats:
    """Day-of-year codes that pass New Year's midnight go on rising."""
    if codes[0].year is not None:
        return absolute
    length = 365 + codes[0].leap
    return np.where(absolute < absolute.max() - 180 * DAY_S, absolute + length * DAY_S, absolute)


def _drift(elapsed: Floats, zeros: Floats) -> float:
    """Seconds per second the time code gains on the counter: median over pairs a tenth of the recording apart.

    Pairs that short keep a set clock or a few odd codes out of the median.
    """
    if len(elapsed) < 20 or np.ptp(elapsed) < SLOPE_SPAN_S:
        return 0.0
    order = np.argsort(elapsed, kind="stable")
    lag = max(1, len(order) // 10)
    run = elapsed[order][lag:] - elapsed[order][:-lag]
    rise = zeros[order][lag:] - zeros[order][:-lag]
    return float(np.median(rise[run > 0] / run[run > 0]))


def _densest(values: Floats) -> float:
    """Median of the largest group of values within the limit for odd codes."""
    ordered = np.sort(values)
    inside = np.searchsorted(ordered, ordered + ODD_S, side="right") - np.arange(len(ordered))
    best = int(np.argmax(inside))
    return float(np.median(ordered[best : best + inside[best]]))


def _report_odd(codes: list[TimeCode], off: Floats, good: NDArray[np.bool_], line: TimeLine) -> None:
    """Codes off the line: a run of three that agree was a clock being set, others were read wrongly."""
    edges = np.flatnonzero(np.diff(good)) + 1
    for run in np.split(np.arange(len(codes)), edges):
        if good[run[0]]:
            continue
        if len(run) >= 3 and np.ptp(off[run]) <= ODD_S:
            first, last, size = codes[run[0]].order, codes[run[-1]].order, float(np.median(off[run]))
            text = (
                f"time packets {first}-{last} lie {size:+.2f} s off the others: the clock was set during the recording; "
                "all times follow the longer part"
            )
            facts = {"seconds": size}
            line.findings.append(Finding("CLOCK_STEP", text, "doubt", f"time packets {first}-{last}", facts=facts))
        else:
            line.odd += [(codes[i].order, f"{off[i]:+.2f} s off the line of the others") for i in run]


def widen(counter: int, wrap: int) -> int:
    """A counter after the wrap made larger than those before it."""
    return counter + wrap if wrap and counter < COUNTER_SIZE // 2 else counter


def read_codes(packets: list[Packet], data: bytes) -> tuple[list[TimeCode], list[tuple[int, str]]]:
    """All good time codes in file order, and (order, what is wrong) of each impossible one."""
    codes, bad = [], []
    for order, packet in enumerate(packets, 1):
        code = read_code(packet, bytes(data[packet.start : packet.stop]), order)
        if isinstance(code, str):
            bad.append((order, code))
        else:
            codes.append(code)
    return codes, bad


def report_bad(bad: list[tuple[int, str]]) -> list[Finding]:
    """One BAD_TIME_CODE for all codes left out; empty without any."""
    if not bad:
        return []
    orders = [order for order, _ in bad]
    shown = "; ".join(f"{order}: {what}" for order, what in bad[:5])
    text = f"{len(bad)} impossible time codes were left out (time packet {shown})"
    facts = {"values": [what for _, what in bad[:50]]}
    return [Finding("BAD_TIME_CODE", text, "doubt", rows_text(orders, "time packet"), len(bad), facts=facts)]
