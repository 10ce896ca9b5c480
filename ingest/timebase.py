"""Whatever a recorder's clock says, as seconds since 1970 UTC.

What a file states is believed: UTC, an offset, the GPS scale. What it leaves out (zone, day, order of
day and month) is solved with the other recorders of the sortie, or by the user's profile, or left
open: then the stamps are treated as UTC for the time being and a finding asks.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from ..shared.errors import SettingsError
from ..shared.findings import Finding, Level
from ..shared.recording import Clock, Column
from ..shared.settings import InstrumentProfile
from ..shared.spill import keep_large
from .companions import Companion, Shift, find_shift, find_start, name_zone, possible_shifts, zone_shifts
from .raw import RawTime
from .text.counts import week_start
from .text.preamble import date_in_name

Floats = NDArray[np.float64]
DAY_S = 86400.0
ROLLOVER_S = 1024 * 7 * DAY_S  # the ten-bit week of the satellite message comes round, IS-GPS-200 20.3.3.3.1.1
SYSTEMS_APART_S = 1462 * DAY_S  # between a spreadsheet's 1900 and 1904 date systems, ECMA-376 part 1, 18.17.4.1
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

# UTC from which GPS - UTC has the value; IERS Bulletin C, as in the tz database's leap-second list
_LEAPS: tuple[tuple[str, int], ...] = (
    ("1999-01-01", 13),
    ("2006-01-01", 14),
    ("2009-01-01", 15),
    ("2012-07-01", 16),
    ("2015-07-01", 17),
    ("2017-01-01", 18),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One table's time as its file tells it, with the channels that can bear witness.

    alternatives: readings of the same stamps (day, month or year first), each as `time`.
    """

    file: str
    time: RawTime
    columns: Mapping[str, Column]
    profile: InstrumentProfile | None = None
    alternatives: tuple[tuple[str, RawTime], ...] = ()


@keep_large("utc_s")
@dataclass(frozen=True)
class Solved:
    """utc_s: seconds since 1970 UTC, shape (n,); None when the table cannot be placed at all.

    certain: False while zone or day are open and the stamps stand in for UTC.
    """

    utc_s: Floats | None
    clock: Clock
    certain: bool
    findings: tuple[Finding, ...] = ()
    settled: tuple[str, ...] = ()  # finding codes of the adapter this answers


def gps_to_utc(gps_s: Floats) -> Floats:
    """Seconds since 1970 on the GPS scale, as UTC: leap seconds subtracted (18 since 2017)."""
    out = gps_s - 0.0
    for since, leap in _LEAPS:
        start = dt.datetime.fromisoformat(since).replace(tzinfo=dt.UTC).timestamp()
        out = np.where(gps_s - leap >= start, gps_s - leap, out)
    return np.asarray(out, dtype=np.float64)


def solve_times(entries: Sequence[Entry]) -> list[Solved]:
    """UTC of every entry, in their order: stated first, then whatever has the strongest evidence."""
    counted = [_count_from_1904(entry, entries) for entry in entries]
    solved = _solve([entry for entry, _ in counted])
    return [
        dataclasses.replace(one, findings=(*told, *one.findings)) if told else one
        for one, (_, told) in zip(solved, counted, strict=True)
    ]


def _solve(entries: Sequence[Entry]) -> list[Solved]:
    out: list[Solved | None] = [_stated(entry) for entry in entries]
    _undo_rollover(entries, out)
    _number_weeks(entries, out)
    while True:
        companions = _companions(entries, out)
        found = [
            (shift.strength, -index, shift, reading)
            for index, entry in enumerate(entries)
            if out[index] is None
            for shift, reading in [_best_shift(entry, companions)]
            if shift is not None
        ]
        if not found:
            break
        _, index, shift, reading = max(found, key=lambda f: (f[0], f[1]))
        out[-index] = _placed(entries[-index], shift, reading)
    companions = _companions(entries, out)
    return [solved or _left_open(entry, companions) for entry, solved in zip(entries, out, strict=True)]


# -- what the file itself states ------------------------------------------------------------------


def _stated(entry: Entry) -> Solved | None:
    """UTC where the file or the user's profile says all of it, else None."""
    time = entry.time
    if entry.alternatives:
        return None
    if not np.isfinite(time.seconds).any():
        return Solved(None, Clock("none", evidence="no stamp can be read"), False)
    if time.basis == "utc":
        return Solved(time.seconds, Clock("utc", evidence=time.evidence or "stamps are UTC"), True)
    if time.basis == "gps":
        utc = gps_to_utc(time.seconds)
        lead = float(np.nanmedian(time.seconds - utc)) if len(utc) else 0.0
        text = f"{entry.file}: stamps are on the GPS scale; {lead:g} s subtracted"
        note = Finding("GPS_NOT_UTC", text, "note", entry.file, facts={"offset_s": lead})
        return Solved(utc, Clock("gps", evidence=time.evidence or text), True, (note,))
    civil = _civil(time)
    if civil is None:
        return None
    if time.zone_s is not None:
        why = time.evidence or f"the file states {name_zone(time.zone_s)}"
        return Solved(civil - time.zone_s, Clock(time.basis, time.zone_s, evidence=why), True)
    if time.start is not None and time.start.tzinfo is not None and time.basis == "elapsed":
        zone = time.start.utcoffset() or dt.timedelta(0)
        shift = zone.total_seconds()
        return Solved(civil - shift, Clock("elapsed", shift, evidence="the start is stated with its zone"), True)
    if entry.profile is not None and entry.profile.zone is not None:
        zone_s = zone_offset_s(entry.profile.zone, civil)
        why = f"the user's profile says {entry.profile.zone}"
        return Solved(civil - zone_s, Clock(time.basis, zone_s, evidence=why), True, settled=("TIME_ZONE_UNKNOWN",))
    return None


def _civil(time: RawTime) -> Floats | None:
    """Seconds since 1970 of the recorder's civil clock; None without a day."""
    if time.basis == "local":
        return time.seconds
    if time.basis == "elapsed" and time.start is not None:
        return time.seconds + (time.start.replace(tzinfo=dt.UTC) - _EPOCH).total_seconds()
    return None


def zone_offset_s(zone: str, civil_s: Floats) -> float:
    """Seconds east of UTC of 'UTC', '+02:00' or an IANA name, at the recording's first stamp.

    Raises SettingsError for a zone that is none of these.
    """
    text = zone.strip()
    if text.upper() in ("UTC", "Z", "GMT"):
        return 0.0
    sign = {"+": 1.0, "-": -1.0}.get(text.upper().removeprefix("UTC")[:1])
    if sign is not None:
        hours, _, minutes = text.upper().removeprefix("UTC")[1:].partition(":")
        if hours.isdecimal() and (not minutes or minutes.isdecimal()):
            return sign * (int(hours) * 3600.0 + int(minutes or 0) * 60.0)
    try:
        first = float(np.nanmin(civil_s)) if len(civil_s) else 0.0
        at = (_EPOCH + dt.timedelta(seconds=first)).replace(tzinfo=ZoneInfo(text))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise SettingsError("no such time zone", found=repr(zone), allowed='"UTC", "+02:00" or an IANA name') from None
    return (at.utcoffset() or dt.timedelta(0)).total_seconds()


# -- what the other recorders tell ----------------------------------------------------------------


def _companions(entries: Sequence[Entry], solved: Sequence[Solved | None]) -> list[Companion]:
    out = []
    for entry, done in zip(entries, solved, strict=True):
        if done is None or done.utc_s is None or not done.certain or len(done.utc_s) < 2:
            continue
        civil = done.utc_s + done.clock.zone_s if done.clock.basis in ("local", "elapsed") else None
        concluded = done.clock.reference is not None
        out.append(Companion(entry.file, done.utc_s, entry.columns, civil, done.clock.zone_s, concluded))
    return out


def _best_shift(entry: Entry, companions: Sequence[Companion]) -> tuple[Shift | None, str]:
    """The strongest shift over all readings of the stamps, and which reading it belongs to."""
    if not companions or not len(entry.time.seconds):
        return None, ""
    best: tuple[Shift | None, str] = (None, "")
    for reading, time in entry.alternatives or (("", entry.time),):
        civil, shifts = _searched(time, companions)
        if civil is None:
            shift = find_start(time.seconds, entry.columns, companions) if time.basis == "elapsed" else None
            best = best if shift is None else (shift, reading)
            continue
        shift = find_shift(civil, entry.columns, companions, shifts)
        if shift is not None and (best[0] is None or shift.strength > best[0].strength):
            best = (shift, reading)
    return best


def _searched(time: RawTime, companions: Sequence[Companion]) -> tuple[Floats | None, list[float]]:
    """The clock to be shifted and the shifts that are possible."""
    zones = [time.zone_s] if time.zone_s is not None else zone_shifts()
    civil = _civil(time)
    if civil is not None:
        return civil, zones
    if time.basis != "time_of_day":
        return None, []
    days = {float(np.floor(np.nanmin(c.utc_s) / DAY_S)) for c in companions}
    shifts = [zone - day * DAY_S for day in sorted(d + k for d in days for k in (-1, 0, 1)) for zone in zones]
    return time.seconds, list(dict.fromkeys(sorted(shifts, key=lambda s: abs((s + DAY_S / 2) % DAY_S - DAY_S / 2))))


def _placed(entry: Entry, shift: Shift, reading: str) -> Solved:
    time = dict(entry.alternatives).get(reading, entry.time)
    findings: list[Finding] = []
    settled = ["TIME_ZONE_UNKNOWN"]

    def note(code: str, text: str, level: Level = "note", **facts: object) -> None:
        facts |= {"companion": shift.companion, "strength": shift.strength}
        findings.append(Finding(code, f"{entry.file}: {text}", level, entry.file, facts=facts))

    zone_s = shift.shift_s
    civil = _civil(time)
    if civil is None and time.basis == "elapsed":
        start = (_EPOCH + dt.timedelta(seconds=-shift.shift_s)).replace(tzinfo=None).isoformat(timespec="seconds")
        note("DATE_FROM_COMPANION", f"it started at {start} UTC: {shift.evidence}", start=start)
        clock = Clock("elapsed", 0.0, reference=shift.companion, evidence=shift.evidence)
        return Solved(time.seconds - shift.shift_s, clock, True, tuple(findings), tuple(settled))
    if civil is None:
        civil = time.seconds
        day = -np.floor((shift.shift_s + DAY_S / 2) / DAY_S) * DAY_S
        zone_s = shift.shift_s + day
        date = (_EPOCH + dt.timedelta(seconds=float(day))).date().isoformat()
        note("DATE_FROM_COMPANION", f"the date {date} was taken from {shift.companion}: {shift.evidence}", date=date)
        settled.append("DATE_MISSING")
    if reading:
        note("DATE_ORDER_FROM_COMPANION", f"dates read as {reading}: {shift.evidence}", order=reading)
        settled.append("DATE_ORDER_AMBIGUOUS")
    if time.zone_s is None:
        note("ZONE_FROM_COMPANION", shift.evidence, zone=name_zone(zone_s), zone_s=zone_s)
    clock = Clock(time.basis, zone_s, reference=shift.companion, evidence=shift.evidence)
    return Solved(civil - shift.shift_s, clock, True, tuple(findings), tuple(settled))


def _left_open(entry: Entry, companions: Sequence[Companion]) -> Solved:
    """Stamps whose zone or day nobody tells: treated as UTC so that the data are kept, and asked for."""
    time = entry.time
    if entry.alternatives:
        return Solved(None, Clock("none"), False)
    clock = Clock(time.basis, evidence="not stated; treated as UTC until answered")
    civil = _civil(time)
    if civil is not None and len(civil):
        possible = [name_zone(s) for s in possible_shifts(civil, companions, zone_shifts())]
        hint = f"; it would run together with the others at {', '.join(possible[:4])}" if possible else ""
        finding = Finding(
            "TIME_ZONE_UNKNOWN",
            f"{entry.file}: the stamps' zone is not stated; treated as UTC{hint}",
            "doubt",
            entry.file,
            facts={"question": f"which time zone was {entry.file} set to?", "candidates": possible},
        )
        return Solved(civil, clock, False, (finding,), ("TIME_ZONE_UNKNOWN",))
    named = _named(entry)
    if time.basis == "time_of_day" and named is not None:
        return _by_name(entry, named - DAY_S / 2)
    if time.basis == "time_of_day":
        question = f"on which date was {entry.file} recorded?"
        finding = Finding(
            "DATE_MISSING",
            f"{entry.file}: times of day and no date",
            "doubt",
            entry.file,
            facts={"question": question},
        )
        return Solved(time.seconds, clock, False, (finding,), ("DATE_MISSING", "TIME_ZONE_UNKNOWN"))
    if time.basis == "elapsed":
        return Solved(time.seconds, dataclasses.replace(clock, evidence="seconds since an unknown start"), False)
    return Solved(None, clock, False)


def _by_name(entry: Entry, midnight_s: float) -> Solved:
    """Times of day on the day in the file's name, which is the civil day the recorder wrote it."""
    time = entry.time
    date = (_EPOCH + dt.timedelta(seconds=midnight_s)).date().isoformat()
    text = f"{entry.file}: times of day without a date; {date} was taken from the file's name"
    note = Finding("DATE_FROM_FILE_NAME", text, "note", entry.file, facts={"date": date})
    certain = time.zone_s is not None
    basis = time.basis if certain else "local"
    clock = Clock(basis, time.zone_s or 0.0, evidence="the date is that of the file's name")
    settled = ("DATE_MISSING", "TIME_ZONE_UNKNOWN") if certain else ("DATE_MISSING",)
    return Solved(time.seconds + midnight_s - (time.zone_s or 0.0), clock, certain, (note,), settled)


def _count_from_1904(entry: Entry, entries: Sequence[Entry]) -> tuple[Entry, tuple[Finding, ...]]:
    """Day numbers that meet the other recorders, or the file's name, only when they are counted from 1904."""
    mine = _first(entry, None) if entry.time.day_numbers else None
    if mine is None:
        return entry, ()
    dates = [(_first(other, _stated(other)), other.file) for other in entries if other is not entry]
    dates.append((_named(entry), "the day in the file's name"))
    near = [(when - mine, whose) for when, whose in dates if when is not None]
    fits = [whose for apart, whose in near if abs(apart - SYSTEMS_APART_S) <= 1.5 * DAY_S]
    if not fits or any(abs(apart) <= 1.5 * DAY_S for apart, _ in near):
        return entry, ()
    text = (
        f"{entry.file}: the day numbers lie 1462 days before {fits[0]}: they are counted from 1904 (1904 date system)"
    )
    finding = Finding("SERIAL_DAY_INFERRED", text, "doubt", entry.file, facts={"days": 1462})
    time = dataclasses.replace(entry.time, seconds=entry.time.seconds + SYSTEMS_APART_S)
    return dataclasses.replace(entry, time=time), (finding,)


def _undo_rollover(entries: Sequence[Entry], solved: list[Solved | None]) -> None:
    """Move a satellite date that is a multiple of 1024 weeks before the others', or its file's name's, forward."""
    dated = [_first(entry, done) for entry, done in zip(entries, solved, strict=True)]
    named = [_named(entry) for entry in entries]
    for index, (entry, done) in enumerate(zip(entries, solved, strict=True)):
        mine = dated[index]
        if done is None or done.utc_s is None or mine is None or done.clock.basis not in ("utc", "gps"):
            continue
        witnesses = [(other, "the other recorders'") for other in dated]
        witnesses += [(named[index], "the one in the file's name")]
        for other, whose in witnesses:
            weeks = round((other - mine) / ROLLOVER_S) if other is not None else 0
            if other is None or weeks < 1 or abs(other - mine - weeks * ROLLOVER_S) > 1.5 * DAY_S:
                continue
            text = f"{entry.file}: the date lies {weeks} x 1024 weeks before {whose}; moved forward"
            facts = {"weeks": 1024 * weeks, "first_written": (_EPOCH + dt.timedelta(seconds=mine)).isoformat()}
            finding = Finding("GPS_WEEK_ROLLOVER", text, "doubt", entry.file, facts=facts)
            findings = (*done.findings, finding)
            utc_s = done.utc_s + weeks * ROLLOVER_S
            if done.clock.basis == "gps":  # the leap seconds are those of the true date
                utc_s = gps_to_utc(entry.time.seconds + weeks * ROLLOVER_S)
            solved[index] = dataclasses.replace(done, utc_s=utc_s, findings=findings)
            break


def _number_weeks(entries: Sequence[Entry], solved: list[Solved | None]) -> None:
    """Seconds of a satellite week put into the week of a recorder that states its date."""
    dated = [_first(entry, done) for entry, done in zip(entries, solved, strict=True)]
    for index, entry in enumerate(entries):
        if not entry.time.of_week or solved[index] is not None:
            continue
        for other, when in zip(entries, dated, strict=True):
            day = (_EPOCH + dt.timedelta(seconds=when)).date() if when is not None and other is not entry else None
            zero = week_start(day, float(np.nanmin(entry.time.seconds))) if day is not None else None
            if day is None or zero is None:
                continue
            text = f"{entry.file}: seconds of the satellite week without its number; the week is that of {other.file}"
            facts = {"date": day.isoformat(), "companion": other.file}
            finding = Finding("DATE_FROM_COMPANION", text, "note", entry.file, facts=facts)
            clock = Clock("gps", evidence=text)
            solved[index] = Solved(gps_to_utc(entry.time.seconds + zero), clock, True, (finding,))
            break


def _named(entry: Entry) -> float | None:
    """Noon of the day in the file's name, in seconds since 1970."""
    day = date_in_name(entry.file)
    return None if day is None else (day - _EPOCH.date()).days * DAY_S + DAY_S / 2


def _first(entry: Entry, done: Solved | None) -> float | None:
    civil = done.utc_s if done is not None else _civil(entry.time)
    return float(np.nanmin(civil)) if civil is not None and len(civil) and np.isfinite(civil).any() else None
