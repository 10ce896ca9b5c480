"""How stamps can be written and broken: midnight, summer time, roll-overs, coarse, bad or lost stamps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from .facts import Case, asked, case, channel, times, warn
from .gnss import rmc
from .tables import airspeed, altitude, civil, fixed, iso, rows, seconds, text

WEEKS_1024 = 1024 * 7 * 86400
DAY = 86400.0
ZONE = warn("TIME_ZONE_UNKNOWN", 1)


def stamped(
    stamps: Sequence[object], when: Sequence[float], *found: dict[str, Any], head: str = "utc", basis: str = "utc",
    name: str = "log.csv", given: dict[str, Any] | None = None,
) -> Case:  # fmt: skip
    """A file of stamps and altitude; `when` are the true times of its rows."""
    alt = altitude(len(stamps))
    content = text(f"{head},pressure_alt_ft", rows(stamps, fixed(alt)))
    channels = {"alt": channel("pressure_alt_ft", "ft", alt, "pressure_altitude")}
    return Case({name: content}, len(stamps), channels, times(when, basis), found, given=given or {})


@case("34a-twenty-four-hours")
def _() -> Case:
    when = seconds(8, start=1931299196.0)  # 2031-03-14T23:59:56
    stamps = [iso(s).replace("2031-03-15T00:00:00", "2031-03-14T24:00:00") for s in when]
    return stamped(stamps, when, warn("TIME_24H", 1, "line 6"))


@case("34b-twenty-four-hours-date-and-time-columns")
def _() -> Case:
    when = seconds(8, 0.5, start=1931299198.0)
    day = [civil(s, "%d.%m.%Y") for s in when]
    clock = [civil(s, "%H:%M:%S", 1) for s in when]
    day[4], clock[4] = "14.03.2031", "24:00:00.0"
    alt = altitude(8)
    content = text("Datum;Uhrzeit UTC;pressure_alt_ft", rows(day, clock, fixed(alt), by=";"))
    found = warn("TIME_24H", 1, "line 6")
    return Case({"log.csv": content}, 8, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("36b-midnight-at-ten-hertz")
def _() -> Case:
    when = seconds(40, 0.1, start=1931299198.0)
    stamps = [civil(s, "%H:%M:%S", 1) for s in when]
    found = warn("MIDNIGHT_ROLLOVER", 1, "line 22"), warn("DATE_FROM_FILE_NAME", 1), ZONE
    return stamped(stamps, when, *found, head="time", basis="unzoned", name="20310314_rec.csv")


# Europe/Vienna leaves summer time on 26 October 2031 at 01:00 UTC: 02:59:59 is followed by 02:00:00
AUTUMN = 1950742800.0
# America/Denver on 2 November 2031 at 08:00 UTC
DENVER = 1951372800.0


@case("37a-repeated-hour")
def _() -> Case:
    when = seconds(8, 900.0, start=DENVER - 3600.0)
    stamps = [civil(s - (6 if s < DENVER else 7) * 3600, "%Y-%m-%d %H:%M:%S") for s in when]
    found = warn("DST_FOLD", 1, "line 6")
    return stamped(stamps, when, found, head="local_time", given={"zone": "America/Denver"})


@case("37b-repeated-hour-one-second-rows")
def _() -> Case:
    when = seconds(12, 1.0, start=AUTUMN - 5.0)
    stamps = [civil(s + (2 if s < AUTUMN else 1) * 3600, "%d.%m.%Y %H:%M:%S") for s in when]
    found = warn("DST_FOLD", 1, "line 7")
    return stamped(stamps, when, found, head="Zeit", given={"zone": "Europe/Vienna"})


@case("37c-repeated-hour-zone-in-the-preamble")
def _() -> Case:
    when = seconds(12, 1.0, start=AUTUMN - 5.0)
    stamps = [civil(s + (2 if s < AUTUMN else 1) * 3600, "%Y-%m-%d %H:%M:%S") for s in when]
    alt = altitude(12)
    content = text("Recorder,UNIT-C", "Time zone,Europe/Vienna", "time,pressure_alt_ft", rows(stamps, fixed(alt)))
    found = warn("PREAMBLE_SKIPPED", 2, "lines 1-2"), warn("DST_FOLD", 1, "line 9")
    return Case({"log.csv": content}, 12, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), found)


@case("39a-week-rollover-told-by-a-companion")
def _() -> Case:
    when = seconds(10)
    alt = altitude(10)
    gps = text([rmc(s - WEEKS_1024, "A") for s in when], end="\r\n")
    content = text("utc,pressure_alt_ft", rows([iso(s) for s in when], fixed(alt)))
    channels = {"alt": channel("pressure_alt_ft", "ft", alt), "speed": channel("RMC.7", "kt", [95.0] * 10)}
    found = warn("GPS_WEEK_ROLLOVER", 1, "gps.nmea")
    return Case({"gps.nmea": gps, "recorder.csv": content}, 20, channels, times(when), [found])


@case("39b-week-rollover-told-by-the-file-name")
def _() -> Case:
    when = seconds(10)
    stamps = [iso(s - 2 * WEEKS_1024) for s in when]
    return stamped(stamps, when, warn("GPS_WEEK_ROLLOVER", 1), head="gps_utc", name="log_2031-03-14.csv")


@case("39c-week-rollover-nmea-file-name")
def _() -> Case:
    when = seconds(10)
    gps = text([rmc(s - WEEKS_1024, "A") for s in when], end="\r\n")
    found = warn("GPS_WEEK_ROLLOVER", 1, "20310314_0926.nmea")
    channels = {"speed": channel("RMC.7", "kt", [95.0] * 10)}
    return Case({"20310314_0926.nmea": gps}, 10, channels, times(when), [found])


@case("45a-epoch-rounded-by-a-spreadsheet")
def _() -> Case:
    alt = altitude(8)
    content = text("timestamp,pressure_alt_ft", rows(["1.93E+12"] * 8, fixed(alt)))
    error = asked("TIME_PRECISION_LOST", "1.93E+12", "original file")
    return Case({"log.csv": content}, 8, {}, None, (), error, "needs_answer")


@case("45b-epoch-rounded-to-six-digits-decimal-comma")
def _() -> Case:
    alt = altitude(8)
    content = text("epoch_s;pressure_alt_ft", rows(["1,93125E+09"] * 8, fixed(alt, 1, comma=True), by=";"))
    error = asked("TIME_PRECISION_LOST", "original file")
    return Case({"log.csv": content}, 8, {}, None, [warn("DECIMAL_COMMA", 2)], error, "needs_answer")


@case("46b-serial-day-decimal-comma")
def _() -> Case:
    when = seconds(8)
    days = [f"{s / DAY + 25569:.9f}".replace(".", ",") for s in when]
    alt = altitude(8)
    content = text("Zeitstempel;pressure_alt_ft", rows(days, fixed(alt, 1, comma=True), by=";"))
    found = warn("SERIAL_DAY_INFERRED", 1), ZONE, warn("DECIMAL_COMMA", 2)
    channels = {"alt": channel("pressure_alt_ft", "ft", alt)}
    return Case({"log.csv": content}, 8, channels, times(when, "unzoned"), found)


@case("47a-whole-seconds-at-ten-hertz")
def _() -> Case:
    when = seconds(50, 0.1)
    stamps = [iso(math.floor(s + 1e-6)) for s in when]
    return stamped(stamps, when, warn("COARSE_TIMESTAMP", 1))


@case("47b-tenths-at-fifty-hertz-time-of-day")
def _() -> Case:
    when = seconds(60, 0.02)
    stamps = [civil(math.floor(s * 10 + 1e-4) / 10, "%H:%M:%S", 1) for s in when]
    alt = altitude(60, step=-0.5)
    content = text("time,pressure_alt_ft", rows(stamps, fixed(alt)))
    found = warn("COARSE_TIMESTAMP", 1), warn("DATE_MISSING", 1)
    told = times([s % DAY for s in when], "time_of_day_no_date")
    return Case({"log.csv": content}, 60, {"alt": channel("pressure_alt_ft", "ft", alt)}, told, found)


@case("50a-one-stamp-that-cannot-be-read")
def _() -> Case:
    when = seconds(10)
    stamps = [iso(s) for s in when]
    stamps[5] = "2031-03-14T09:2x:45Z"
    alt = altitude(10)
    content = text("utc,pressure_alt_ft", rows(stamps, fixed(alt)))
    del alt[5], when[5]
    found = warn("BAD_STAMP", 1, "line 7")
    return Case({"log.csv": content}, 9, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


def _jumped(by: float, n: int = 20, at: int = 8) -> Case:
    """One row whose stamp lies `by` seconds off while its neighbours follow each other; it is left out."""
    when, alt = seconds(n), altitude(n)
    stamps = [iso(s + by * (i == at)) for i, s in enumerate(when)]
    content = text("utc,pressure_alt_ft", rows(stamps, fixed(alt)))
    del alt[at], when[at]
    found = warn("BAD_STAMP", 1, f"line {at + 2}")
    return Case({"log.csv": content}, n - 1, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("50b-one-stamp-half-an-hour-ahead")
def _() -> Case:
    return _jumped(2010.0)


@case("50c-one-stamp-an-hour-behind")
def _() -> Case:
    return _jumped(-3600.0)


@case("50d-month-thirteen")
def _() -> Case:
    when = seconds(12)
    stamps = [iso(s) for s in when]
    stamps[3], stamps[9] = "2031-13-14T09:26:43Z", "2031-03-14T09:26:78Z"
    alt = altitude(12)
    content = text("utc,pressure_alt_ft", rows(stamps, fixed(alt)))
    for i in (9, 3):
        del alt[i], when[i]
    found = warn("BAD_STAMP", 2, "lines 5, 11")
    return Case({"log.csv": content}, 10, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("52a-blank-stamps-before-the-fix")
def _() -> Case:
    when = seconds(12)
    stamps = ["" if i < 3 else iso(s) for i, s in enumerate(when)]
    return stamped(stamps, when, warn("TIME_BEFORE_FIX", 3, "lines 2-4"), head="gps_utc")


@case("52b-year-2000-before-the-fix")
def _() -> Case:
    when = seconds(12)
    stamps = [iso(946684800.0 + i) if i < 4 else iso(s) for i, s in enumerate(when)]
    return stamped(stamps, when, warn("TIME_BEFORE_FIX", 4, "lines 2-5"))


@case("52c-date-and-time-zero-before-the-fix")
def _() -> Case:
    when = seconds(12, 0.5)
    day = ["00/00/0000" if i < 3 else civil(s, "%Y/%m/%d") for i, s in enumerate(when)]
    clock = ["00:00:00.0" if i < 3 else civil(s, "%H:%M:%S", 1) for i, s in enumerate(when)]
    alt = altitude(12)
    content = text("gps_date;gps_time_utc;pressure_alt_ft", rows(day, clock, fixed(alt), by=";"))
    found = warn("TIME_BEFORE_FIX", 3, "lines 2-4")
    return Case({"log.csv": content}, 12, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("52d-epoch-zero-before-the-fix")
def _() -> Case:
    when = seconds(12)
    found = warn("TIME_BEFORE_FIX", 3, "lines 2-4"), warn("EPOCH_UNIT_INFERRED", 1)
    return stamped(["0" if i < 3 else f"{s:.0f}" for i, s in enumerate(when)], when, *found, head="timestamp")


@case("41b-epoch-as-text-with-decimals")
def _() -> Case:
    when = seconds(10, 0.25)
    return stamped([f'"{s:.3f}"' for s in when], when, warn("EPOCH_UNIT_INFERRED", 1), head="time")


@case("41c-gps-seconds-of-week")
def _() -> Case:
    when = seconds(10)
    gps = [s + 18 - 315964800.0 for s in when]
    week, tow = [int(g // 604800) for g in gps], [g % 604800 for g in gps]
    alt = altitude(10)
    content = text("gps_week,gps_tow_s,pressure_alt_ft", rows(week, fixed(tow, 3), fixed(alt)))
    found = warn("GPS_NOT_UTC", 1)
    return Case({"log.csv": content}, 10, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("41f-clock-as-a-number-without-colons")
def _() -> Case:
    when = seconds(8)
    alt = altitude(8)
    content = text("time_utc,pressure_alt_ft", rows([civil(s, "%H%M%S") for s in when], fixed(alt)))
    told = times([s % DAY for s in when], "time_of_day_no_date")
    channels = {"alt": channel("pressure_alt_ft", "ft", alt)}
    return Case({"log.csv": content}, 8, channels, told, [warn("DATE_MISSING", 1)])


@case("41d-milliseconds-counter-wraps-at-32-bits")
def _() -> Case:
    counts = [(2**32 - 500 + 100 * i) % 2**32 for i in range(12)]
    alt = altitude(12)
    content = text("uptime_ms,pressure_alt_ft", rows(counts, fixed(alt)))
    found = warn("COUNTER_WRAP", 1, "line 7")
    return Case({"log.csv": content}, 12, {"alt": channel("pressure_alt_ft", "ft", alt)}, None, [found])


@case("41e-sixteen-bit-counter-of-centiseconds")
def _() -> Case:
    counts = [(65536 - 60 + 20 * i) % 65536 for i in range(20)]
    alt = altitude(20)
    content = text("tick_10ms;pressure_alt_ft", rows(counts, fixed(alt), by=";"))
    found = warn("COUNTER_WRAP", 1, "line 5")
    return Case({"log.csv": content}, 20, {"alt": channel("pressure_alt_ft", "ft", alt)}, None, [found])


@case("31b-day-month-by-rising-time-alone")
def _() -> Case:
    when = seconds(8, 0.5, start=1925942398.0)  # 2031-01-11T23:59:58
    stamps = [civil(s, "%d/%m/%Y %H:%M:%S", 1) for s in when]
    found = warn("DATE_ORDER_INFERRED", 1), ZONE
    return stamped(stamps, when, *found, head="stamp", basis="unzoned")


@case("49b-rows-out-of-order-by-three")
def _() -> Case:
    when, alt = seconds(14), altitude(14)
    order = [0, 1, 2, 3, 7, 4, 5, 6, 8, 9, 10, 11, 12, 13]
    content = text("utc,pressure_alt_ft", rows([iso(when[i]) for i in order], fixed([alt[i] for i in order])))
    found = warn("TIME_REVERSAL", 3, "lines 7-9")
    return Case({"log.csv": content}, 14, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])


@case("53b-gap-in-a-slow-recorder")
def _() -> Case:
    when = [s for i, s in enumerate(seconds(20, 5.0)) if not 8 <= i < 14]
    found = warn("GAP", 1, "between lines 9 and 10", missing_rows=6)
    return stamped([iso(s) for s in when], when, found)


@case("35b-leap-second-with-fraction")
def _() -> Case:
    stamps = ["2016-12-31T23:59:59.0Z", "2016-12-31T23:59:59.5Z", "2016-12-31T23:59:60.0Z", "2016-12-31T23:59:60.5Z"]
    stamps += ["2017-01-01T00:00:00.0Z", "2017-01-01T00:00:00.5Z", "2017-01-01T00:00:01.0Z"]
    alt = altitude(7)
    content = text("utc,pressure_alt_ft", rows(stamps, fixed(alt)))
    found = warn("LEAP_SECOND", 2, "lines 4-5")
    return Case({"log.csv": content}, 7, {"alt": channel("pressure_alt_ft", "ft", alt)}, None, [found])


@case("38b-spring-gap-other-zone")
def _() -> Case:
    # Europe/Vienna skips 02:00 to 03:00 on 30 March 2031; the clock stayed on UTC+1
    when = seconds(10, start=1932598795.0)
    stamps = [civil(s + 3600, "%d.%m.%Y %H:%M:%S") for s in when]
    found = warn("DST_GAP", 5, "lines 7-11")
    return stamped(stamps, when, found, head="Zeit", given={"zone": "Europe/Vienna"})


@case("40b-gps-scale-ten-hertz-airspeed")
def _() -> Case:
    when = seconds(400, 0.5)
    ias = [round(95 + 12 * math.sin(i / 23.0) + 5 * math.sin(i / 7.7), 2) for i in range(400)]
    a = text("gps_time,ias_kt", rows([iso(s + 18, 1) for s in when], fixed(ias, 2)))
    b = text("utc,ias_kt", rows([iso(s, 1) for s in when], fixed(ias, 2)))
    found = warn("GPS_NOT_UTC", 1, "a.csv"), warn("CLOCK_OFFSET", 1, "a.csv")
    return Case({"a.csv": a, "b.csv": b}, 800, {"ias": channel("ias_kt", "kt", ias)}, times(when), found)


@case("48b-repeated-rows-semicolon")
def _() -> Case:
    when, alt, ias = seconds(10), altitude(10), airspeed(10)
    body = rows([iso(s) for s in when], fixed(alt), fixed(ias), by=";")
    body = [*body[:4], body[3], *body[4:8], body[7], *body[8:]]
    content = text("utc;pressure_alt_ft;ias_kt", body)
    alt, when = [*alt[:4], alt[3], *alt[4:8], alt[7], *alt[8:]], [*when[:4], when[3], *when[4:8], when[7], *when[8:]]
    found = warn("DUPLICATE_ROW", 2, "lines 6, 11")
    return Case({"log.csv": content}, 12, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), [found])
