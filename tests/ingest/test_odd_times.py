"""Times as recorders and people write them: every right answer was written down before a reader was asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.right_answers import Refused, Right, Samples, differences
from trimshot.shared.settings import Settings

N = 30
START = dt.datetime(2031, 4, 1, 10)
EPOCH = int(START.replace(tzinfo=dt.UTC).timestamp())
FIRST, LAST = "2031-04-01T10:00:00", "2031-04-01T10:00:29"
IAS = {"IAS (kt)": Samples(80.5, 80.5 + N - 1, unit="kt", channel="indicated_airspeed")}
Case = tuple[Callable[[Path], Path], Right | Refused]


def at(k: float, start: dt.datetime = START) -> dt.datetime:
    return start + dt.timedelta(seconds=k)


def log(
    stamp: Callable[[int], Any], *, head: str = "Time", above: Sequence[str] = (), name: str = "log.csv", mark: str = ",",
    comma: bool = False, n: int = N,
) -> Callable[[Path], Path]:  # fmt: skip
    """A file with a stamp and an airspeed in every row."""

    def make(folder: Path) -> Path:
        lines = [*above, f"{head}{mark}IAS (kt){mark}RPM"]
        lines += [f"{stamp(k)}{mark}{80.5 + k}{mark}{2400 + k}" for k in range(n)]
        text = "\n".join(lines) + "\n"
        (folder / name).write_text(text.replace(".", ",") if comma else text, encoding="utf-8")
        return folder / name

    return make


def written(form: str, start: dt.datetime = START, step: float = 1.0) -> Callable[[int], str]:
    return lambda k: at(step * k, start).strftime(form)


def iso_week(k: int) -> str:
    year, week, day = START.isocalendar()
    return f"{year}-W{week:02d}-{day}T{at(k):%H:%M:%S}Z"


def berlin(k: int, *, fold: bool) -> str:
    """A clock at the change of summer time: 26 October 2031 back at 03:00, 30 March 2031 on at 02:00."""
    start = dt.datetime(2031, 10, 26, 2, 59, 50) if fold else dt.datetime(2031, 3, 30, 1, 59, 50)
    moment = at(k, start)
    if fold and moment.hour >= 3:
        moment -= dt.timedelta(hours=1)
    if not fold and moment.hour >= 2:
        moment += dt.timedelta(hours=1)
    return f"{moment:%Y-%m-%d %H:%M:%S}"


def leap(k: int) -> str:
    """23:59:50 to 60 and on: the leap second at the end of 2016."""
    if k == 10:
        return "2016-12-31T23:59:60Z"
    return f"{at(k if k < 10 else k - 1, dt.datetime(2016, 12, 31, 23, 59, 50)):%Y-%m-%dT%H:%M:%S}Z"


def wrapped(size: int, first: int, step: int) -> Callable[[int], int]:
    return lambda k: (first + step * k) % size


UTC = Right(N, "utc", FIRST + "Z", LAST + "Z", IAS)
LOCAL = Right(N, "unzoned", FIRST, LAST, IAS, codes=["TIME_ZONE_UNKNOWN"])
NIGHT = dt.datetime(2031, 4, 1, 23, 59, 45)
COUNT = Right(N, "elapsed", 0.0, 29.0, IAS)
CASES: dict[str, Case] = {
    # words and offsets
    "Z behind the stamp": (log(written("%Y-%m-%dT%H:%M:%SZ")), UTC),
    "UTC behind the stamp": (log(written("%Y-%m-%d %H:%M:%S UTC")), UTC),
    "a half-hour zone": (log(written("%Y-%m-%dT%H:%M:%S+05:30", START + dt.timedelta(hours=5.5))), UTC),
    "a quarter-hour zone without colon": (log(written("%Y-%m-%d %H:%M:%S +0545", START + dt.timedelta(hours=5.75))), UTC),
    "a negative half-hour zone": (log(written("%Y-%m-%d %H:%M:%S-03:30", START - dt.timedelta(hours=3.5))), UTC),
    "CEST behind the stamp": (log(written("%Y-%m-%d %H:%M:%S CEST", START + dt.timedelta(hours=2))), UTC),
    "CET behind the stamp": (log(written("%Y-%m-%d %H:%M:%S CET", START + dt.timedelta(hours=1))), UTC),
    "EDT behind the stamp": (log(written("%Y-%m-%d %H:%M:%S EDT", START - dt.timedelta(hours=4))), UTC),
    "PST behind the stamp": (log(written("%Y-%m-%d %H:%M:%S PST", START - dt.timedelta(hours=8))), UTC),
    "IST behind the stamp, which may be three zones": (
        log(written("%Y-%m-%d %H:%M:%S IST", START + dt.timedelta(hours=5.5))),
        Right(N, "unzoned", "2031-04-01T15:30:00", columns=IAS),
    ),
    "the zone in the header": (log(written("%Y-%m-%d %H:%M:%S", START + dt.timedelta(hours=2)), head="Time (UTC+2)"), UTC),
    "the zone's word in the header": (log(written("%Y-%m-%d %H:%M:%S", START + dt.timedelta(hours=2)), head="Time [CEST]"), UTC),
    "the zone in a line above": (
        log(written("%Y-%m-%d %H:%M:%S", START + dt.timedelta(hours=5.5)), above=["Time zone: UTC+05:30"]),
        UTC,
    ),
    "a named zone in a line above": (
        log(written("%Y-%m-%d %H:%M:%S", START + dt.timedelta(hours=2)), above=["Timezone: Europe/Berlin"]),
        UTC,
    ),
    "the hour that comes twice, zone named": (
        log(lambda k: berlin(k, fold=True), above=["Timezone: Europe/Berlin"]),
        Right(N, "utc", "2031-10-26T00:59:50Z", "2031-10-26T01:00:19Z", IAS, step=1.0),
    ),
    "the hour that is skipped, zone named": (
        log(lambda k: berlin(k, fold=False), above=["Timezone: Europe/Berlin"]),
        Right(N, "utc", "2031-03-30T00:59:50Z", "2031-03-30T01:00:19Z", IAS, step=1.0),
    ),
    "the hour that comes twice, no zone": (
        log(lambda k: berlin(k, fold=True)),
        Right(N, "unzoned", "2031-10-26T01:59:50", "2031-10-26T02:00:19", IAS, step=1.0),  # the hour's second coming counts
    ),
    "the hour that is skipped, no zone": (
        log(lambda k: berlin(k, fold=False)),
        Right(N, "unzoned", "2031-03-30T01:59:50", "2031-03-30T03:00:19", IAS, codes=["GAP"], step=1.0),  # nobody names the zone
    ),
    # forms
    "two-digit years, day first": (log(written("%d.%m.%y %H:%M:%S", dt.datetime(2031, 4, 14, 10))), Right(N, "unzoned", "2031-04-14T10:00:00", columns=IAS)),
    "two-digit years, year first": (log(written("%y-%m-%d %H:%M:%S", dt.datetime(2031, 4, 14, 10))), Right(N, "unzoned", "2031-04-14T10:00:00", columns=IAS)),
    "ISO week dates": (log(iso_week), UTC),
    "ISO ordinal dates": (log(written("%Y-%jT%H:%M:%SZ")), UTC),
    "ISO basic form": (log(written("%Y%m%dT%H%M%SZ")), UTC),
    "twelve hours": (log(written("%m/%d/%Y %I:%M:%S %p", dt.datetime(2031, 4, 14, 12, 59, 45))), Right(N, "unzoned", "2031-04-14T12:59:45", "2031-04-14T13:00:14", IAS)),
    "twelve hours at midnight": (
        log(written("%Y-%m-%d %I:%M:%S %p", dt.datetime(2031, 4, 14, 23, 59, 45))),
        Right(N, "unzoned", "2031-04-14T23:59:45", "2031-04-15T00:00:14", IAS),
    ),
    "twelve hours, time only, over noon": (
        log(written("%I:%M:%S %p", dt.datetime(2031, 4, 14, 11, 59, 45))),
        Right(N, "time_of_day_no_date", "11:59:45", "12:00:14", IAS),
    ),
    "months as words": (log(written("%d-%b-%Y %H:%M:%S")), LOCAL),
    "months as German words": (log(lambda k: f"01. April 2031 {at(k):%H:%M:%S}"), LOCAL),
    "the weekday in front": (log(written("%a %d %b %Y %H:%M:%S")), LOCAL),
    "as a C library prints it": (log(written("%a %b %d %H:%M:%S %Y")), LOCAL),
    "as mail headers have it": (log(lambda k: f'"{at(k):%a, %d %b %Y %H:%M:%S} +0000"'), UTC),
    "the colon before milliseconds": (log(lambda k: f"{at(k):%Y-%m-%d %H:%M:%S}:500"), Right(N, "unzoned", FIRST + ".500000", columns=IAS)),
    "comma decimals": (
        log(lambda k: f"{at(k / 10):%Y-%m-%d %H:%M:%S}.{k % 10}00", mark=";", comma=True),
        Right(N, "unzoned", FIRST, columns=IAS, step=0.1),
    ),
    "points in times of day": (log(written("%d.%m.%Y %H.%M.%S", dt.datetime(2031, 4, 14, 10))), Right(N, "unzoned", "2031-04-14T10:00:00", columns=IAS)),
    "h, m and s in times of day": (log(written("%Y-%m-%d %Hh%Mm%Ss")), LOCAL),
    "nine decimals": (log(lambda k: f"{at(k):%Y-%m-%dT%H:%M:%S}.123456789Z"), Right(N, "utc", FIRST + ".123457Z", columns=IAS)),
    "the date in the first column, month first, with blanks": (
        log(written("%m/%d/%Y , %H:%M:%S", dt.datetime(2031, 4, 14, 10)), head="Date,Time"),
        Right(N, "unzoned", "2031-04-14T10:00:00", columns=IAS),
    ),
    "date and time of day as numbers": (log(written("%Y%m%d,%H%M%S"), head="Date,Time UTC"), UTC),
    "day, month, year as one number": (log(written("%d%m%y,%H%M%S", dt.datetime(2031, 4, 14, 10)), head="Date,Time UTC"), Right(N, "utc", "2031-04-14T10:00:00Z", columns=IAS)),
    # days and midnight
    "time only over midnight": (log(written("%H:%M:%S", NIGHT)), Right(N, "time_of_day_no_date", "23:59:45", columns=IAS, step=1.0, codes=["MIDNIGHT_ROLLOVER"])),
    "time only, the date in the name": (log(written("%H:%M:%S", NIGHT), name="flight_20310401.csv"), Right(N, "unzoned", "2031-04-01T23:59:45", "2031-04-02T00:00:14", IAS)),
    "time only, day and month in the name": (log(written("%H:%M:%S"), name="14.04.2031 glide.csv"), Right(N, "unzoned", "2031-04-14T10:00:00", columns=IAS)),
    "time only, the date in a line above": (log(written("%H:%M:%S", NIGHT), above=["Flight date: 2031-04-01"]), Right(N, "unzoned", "2031-04-01T23:59:45", "2031-04-02T00:00:14", IAS)),
    "time only, the date in words above": (log(written("%H:%M:%S"), above=["Date: 1 April 2031"]), LOCAL),
    "a leap second": (log(leap), Right(N, "utc", "2016-12-31T23:59:50Z", "2017-01-01T00:00:18Z", IAS, codes=["LEAP_SECOND"])),
    # counts
    "epoch in seconds": (log(lambda k: EPOCH + k), UTC),
    "epoch in seconds with decimals": (log(lambda k: f"{EPOCH + k}.000000"), UTC),
    "epoch in minutes": (log(lambda k: f"{(EPOCH + k) / 60:.9f}", head="epoch_min"), UTC),
    "epoch in milliseconds": (log(lambda k: EPOCH * 1000 + 1000 * k), UTC),
    "epoch in microseconds": (log(lambda k: EPOCH * 10**6 + 10**6 * k), UTC),
    "epoch in nanoseconds": (log(lambda k: EPOCH * 10**9 + 10**8 * k), Right(N, "utc", FIRST + "Z", "2031-04-01T10:00:02.900000Z", IAS, step=0.1)),
    "epoch in nanoseconds as a floating number": (log(lambda k: f"{float(EPOCH * 10**9 + 10**9 * k):.15e}"), UTC),
    "epoch in milliseconds as a floating number": (log(lambda k: f"{float(EPOCH * 1000 + 1000 * k):.1f}"), UTC),
    "satellite week and seconds": (
        log(lambda k: f"2673,{208_818 + k}", head="GPS week,GPS seconds"),
        Right(N, "utc", "2031-04-01T10:00:00Z", columns=IAS, codes=["GPS_NOT_UTC"]),
    ),
    "satellite week past its roll-over": (
        log(lambda k: f"625,{208_818 + k}", head="GPS week,GPS seconds", name="2031-04-01.csv"),
        Right(N, "utc", "2031-04-01T10:00:00Z", columns=IAS, codes=["GPS_WEEK_ROLLOVER"]),
    ),
    "milliseconds from power-on, 16 bits": (log(wrapped(2**16, 60_000, 1000), head="ms"), Right(N, "elapsed", 60.0, 89.0, IAS, step=1.0, codes=["COUNTER_WRAP"])),
    "milliseconds from power-on, 32 bits": (log(wrapped(2**32, 2**32 - 10_000, 1000), head="millis"), Right(N, "elapsed", columns=IAS, step=1.0, codes=["COUNTER_WRAP"])),
    "microseconds from power-on, 32 bits": (log(wrapped(2**32, 2**32 - 10_000_000, 1_000_000), head="time_us"), Right(N, "elapsed", columns=IAS, step=1.0, codes=["COUNTER_WRAP"])),
    "seconds with the start in a line above": (log(lambda k: k, head="Elapsed (s)", above=["Recording started 2031-04-01 10:00:00 UTC"]), UTC),
    "minutes and decimals from power-on": (log(lambda k: f"{k / 60:.9f}", head="Time (min)"), COUNT),
    "hours and decimals from power-on": (log(lambda k: f"{k / 3600:.12f}", head="Time [h]"), COUNT),
    "h:mm:ss from power-on": (log(lambda k: f"0:00:{k:02d}", head="Elapsed"), COUNT),
    "hours past 24 from power-on": (log(lambda k: f"{23 + (3590 + k) // 3600}:{(3590 + k) % 3600 // 60:02d}:{(3590 + k) % 60:02d}", head="Elapsed"), Right(N, "elapsed", columns=IAS, step=1.0)),
    "seconds of the day": (log(lambda k: 36000 + k, head="UTC seconds of day", name="2031-04-01.csv"), UTC),
    "year to second in columns": (log(written("%Y,%m,%d,%H,%M,%S"), head="Year,Month,Day,Hour,Minute,Second"), LOCAL),
    "hour, minute, second and milliseconds in columns": (
        log(lambda k: f"{at(k / 10):%H,%M,%S},{k % 10 * 100}", head="Hour,Minute,Second,ms", above=["Date: 2031-04-01"]),
        Right(N, "unzoned", FIRST, columns=IAS, step=0.1),
    ),
    "a date that stands in the first row only": (log(lambda k: f"{'2031-04-01' if k == 0 else ''},{at(k, NIGHT):%H:%M:%S}", head="Date,UTC"), Right(N, "utc", "2031-04-01T23:59:45Z", "2031-04-02T00:00:14Z", IAS)),
    "a spreadsheet's parts of a day": (log(lambda k: f"47939,{(36000 + k) / 86400:.9f}", head="Date,UTC"), UTC),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_times(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right, Settings()) == []
