"""Seconds of a civil clock: the date found, the zone settled as far as the file goes; elapsed counts with their start."""

from __future__ import annotations

import datetime as dt

import numpy as np

from ..raw import RawTime
from ..timeline import unroll_midnight
from .axis import DAY_S, Axis, Context, Floats, Reading, axis_of
from .preamble import Facts, date_in_name
from .zones import Zone, is_zone_name, parse_zone, settle_named_zone
from .zonewords import offset_in_text, offset_of_words

_ZERO = dt.date(1970, 1, 1)
_NO_ZONE = frozenset(("utc", "gmt", "zulu", "gps", "gpst"))  # such a clock has no offset, whatever a column says
ELAPSED_WORDS = frozenset(("elapsed", "runtime", "uptime", "duration", "since"))


def civil(seconds: Floats, reading: Reading, context: Context) -> Axis:
    """Seconds since 1970 of the stamps as written -> utc, gps or local, with the zone where the file states one."""
    zone, offsets = _zone_of(reading, context)
    context.notes.decide("zone", "gps" if zone.basis == "gps" else zone.name or zone.offset_s, zone.because)
    offset = zone.offset_s
    if offsets is not None:
        seconds = seconds - offsets
    elif zone.name is not None:
        seconds, offset, findings = settle_named_zone(seconds, context.line[reading.keep], zone.name)
        context.notes.findings.extend(findings)
    zone_s = offset if zone.basis == "local" else None
    header = context.header(reading.positions)
    return axis_of(RawTime(zone.basis, seconds, zone_s, None, reading.resolution_s, header, zone.because), reading.keep)


def _zone_of(reading: Reading, context: Context) -> tuple[Zone, Floats | None]:
    """The zone, strongest statement first; per-row offsets when the stamps carry them."""
    carried = _filled(reading.clock.zone_s[reading.keep])
    if carried is not None:
        return Zone("utc", 0.0, None, "the stamps carry their zone"), carried
    if context.profile is not None and context.profile.zone:
        return parse_zone(context.profile.zone, context.file), None
    if context.offsets is not None and not context.words(reading.positions) & _NO_ZONE:
        stated = _filled(context.offsets[reading.keep])
        if stated is not None:
            return Zone("utc", 0.0, None, "a column states the offset from UTC"), stated
    return _stated_zone(reading, context), None


def _filled(offsets: Floats) -> Floats | None:
    """Offsets of all rows, the first one where there is none; None where fewer than half of the rows have any."""
    known = np.isfinite(offsets)
    return np.where(known, offsets, offsets[known][0]) if known.mean() > 0.5 else None


def _stated_zone(reading: Reading, context: Context) -> Zone:
    words = context.words(reading.positions) | reading.clock.words
    written = " ".join(f"{context.headings[i].written} {context.headings[i].unit or ''}" for i in reading.positions)
    offset = offset_in_text(written)
    offset = offset_of_words(words) if offset is None else offset
    if offset is not None:
        return Zone("local", offset, None, f"the header says {written.strip()}")
    if words & {"gps", "gpst"} and "utc" not in words:
        return Zone("gps", None, None, "the header says GPS time")
    if words & {"utc", "gmt", "zulu"} or "Z" in {context.headings[i].unit for i in reading.positions}:
        return Zone("utc", 0.0, None, "the header says UTC")
    named = sorted(word for word in reading.clock.words if "/" in word)
    if len(named) == 1 and is_zone_name(named[0]):
        return Zone("local", None, named[0], f"the stamps name the zone {named[0]}")
    facts = context.facts
    if facts.zone_s is not None and not (facts.utc and (facts.local or "local" in words)):
        return Zone("utc" if facts.utc else "local", facts.zone_s, None, facts.evidence.strip("; "))
    if facts.iana is not None:
        return Zone("local", None, facts.iana, f"the file names the zone {facts.iana}")
    local = "local" in words or facts.local
    because = "the file says local time, without its zone" if local else "no zone is stated"
    return Zone("local", None, None, because)


def time_of_day(seconds: Floats, reading: Reading, context: Context) -> Axis:
    """Times of day, unrolled past midnight, on the date the file states anywhere (header, name)."""
    counted = context.words(reading.positions) & ELAPSED_WORDS
    if counted - {"since"} or (counted and seconds[0] < 3600.0):
        return elapsed(seconds, reading, context)
    seconds, findings = unroll_midnight(seconds, context.line[reading.keep])
    context.notes.findings.extend(findings)
    date = _find_date(float(seconds[0]), context)
    if date is not None:
        return civil(seconds + (date - _ZERO).days * DAY_S, reading, context)
    context.notes.find("DATE_MISSING", "the file has times of day and no date", level="doubt")
    zone, _ = _zone_of(reading, context)
    because = f"no date is stated; {zone.because}"
    header = context.header(reading.positions)
    time = RawTime("time_of_day", seconds, zone.offset_s, None, reading.resolution_s, header, because)
    return axis_of(time, reading.keep)


def _find_date(first: float, context: Context) -> dt.date | None:
    """The date of the first row; a stated start decides on which side of midnight it lies."""
    facts = context.facts
    if facts.start is not None:
        start = (facts.start - dt.datetime.combine(facts.start.date(), dt.time())).total_seconds()
        date = facts.start.date() + dt.timedelta(days=round((start - first) / DAY_S))
        context.notes.decide("date", date.isoformat(), facts.evidence.strip("; "))
        return date
    if facts.date is not None:
        context.notes.decide("date", facts.date.isoformat(), facts.evidence.strip("; "))
        return facts.date
    named = date_in_name(context.file)
    if named is not None:
        context.notes.decide("date", named.isoformat(), "date in the file's name")
        context.notes.find(
            "DATE_FROM_FILE_NAME",
            f"the date {named.isoformat()} was taken from the file's name",
            date=named.isoformat(),
        )
    return named


def elapsed(seconds: Floats, reading: Reading, context: Context) -> Axis:
    """Seconds since the recorder started, with the start where the file states it."""
    start = start_of(context.facts)
    because = "a count since the recorder's start"
    if start is not None:
        evidence = context.facts.evidence.strip("; ")
        because += f"; {evidence}"
        context.notes.decide("start", start.isoformat(), evidence)
    header = context.header(reading.positions)
    time = RawTime("elapsed", seconds, None, start, reading.resolution_s, header, because)
    return axis_of(time, reading.keep, counts=True)


def start_of(facts: Facts) -> dt.datetime | None:
    """The stated start, aware when the text states its offset from UTC."""
    if facts.start is None or facts.zone_s is None or (facts.utc and facts.local):
        return facts.start
    return facts.start.replace(tzinfo=dt.timezone(dt.timedelta(seconds=facts.zone_s)))
