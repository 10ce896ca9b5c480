"""Satellite records: NMEA 0183 sentences, IGC files, GPX tracks, broken in the ways they break."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import Any

from .facts import Case, case, channel, times, warn
from .tables import altitude, civil, fixed, iso, rows, seconds, text

NAN = math.nan
MIDNIGHT = 1931299200.0  # 2031-03-15T00:00:00Z


def sealed(body: str) -> str:
    """A sentence with its checksum: all characters combined by exclusive or (NMEA 0183)."""
    return f"${body}*{functools.reduce(lambda a, c: a ^ ord(c), body, 0):02X}"


def rmc(second: float, status: str = "A", talker: str = "GP", digits: int = 2, speed: float = 95.0) -> str:
    """A minimum sentence: time, date, speed and track."""
    clock = civil(second, "%H%M%S", digits)
    if status == "V":
        return sealed(f"{talker}RMC,{clock},V,,,,,,,{civil(second, '%d%m%y')},,,N")
    place = "3400.0000,S,14000.0000,W"
    return sealed(f"{talker}RMC,{clock},A,{place},{speed:.1f},180.0,{civil(second, '%d%m%y')},,,A")


def gga(second: float, height: float, talker: str = "GP", digits: int = 2) -> str:
    """A fix: time, place and height above sea level."""
    clock = civil(second, "%H%M%S", digits)
    return sealed(f"{talker}GGA,{clock},3400.0000,S,14000.0000,W,1,09,0.9,{height:.1f},M,-12.3,M,,")


def height(n: int) -> list[float]:
    """Metres, descending."""
    return [round(1800.0 - 7.6 * i, 1) for i in range(n)]


def satellite(
    sentences: Sequence[str], when: Sequence[float], speed: Sequence[float], high: Sequence[float],
    *found: dict[str, Any], end: str = "\r\n",
) -> Case:  # fmt: skip
    """gps.nmea with its channels."""
    channels = {"gps_speed": channel("RMC.7", "kt", speed)}
    if high:
        channels["gps_alt_msl"] = channel("GGA.9", "m", high)
    return Case({"gps.nmea": text(sentences, end=end)}, len(when), channels, times(when), found)


def pairs(when: Sequence[float], talker: str = "GP", digits: int = 2) -> list[list[str]]:
    """One RMC and one GGA per stamp."""
    return [
        [rmc(s, "A", talker, digits), gga(s, h, talker, digits)] for s, h in zip(when, height(len(when)), strict=True)
    ]


@case("57a-nmea-midnight-gga-before-rmc")
def _() -> Case:
    when = seconds(8, start=MIDNIGHT - 4)
    flat = [x for pair in pairs(when) for x in reversed(pair)]
    return satellite(flat, when, [95.0] * 8, height(8))


@case("57b-nmea-midnight-date-by-zda")
def _() -> Case:
    when = seconds(8, 0.5, start=MIDNIGHT - 2)
    flat = []
    for s, h in zip(when, height(8), strict=True):
        flat += [gga(s, h, "GN"), sealed(f"GNZDA,{civil(s, '%H%M%S', 2)},{civil(s, '%d,%m,%Y')},00,00")]
    one = satellite(flat, when, [], height(8))
    return Case(one.files, 8, {"gps_alt_msl": one.channels["gps_alt_msl"]}, one.time, one.warnings)


@case("56b-nmea-lower-case-checksum-and-lost-carriage-returns")
def _() -> Case:
    when = seconds(6)
    flat = [x for pair in pairs(when) for x in pair]
    flat = [x[:-2] + x[-2:].lower() for x in flat]
    return satellite(flat, when, [95.0] * 6, height(6), end="\n")


@case("59b-nmea-void-rmc-with-fixed-gga")
def _() -> Case:
    when = seconds(8)
    flat = [x for i, s in enumerate(when) for x in ([rmc(s, "V")] if i < 3 else pairs(when)[i])]
    speed, high = [NAN if i < 3 else 95.0 for i in range(8)], [NAN if i < 3 else h for i, h in enumerate(height(8))]
    return satellite(flat, when, speed, high, warn("VOID_FIX", 3))


@case("58b-igc-without-a-date-header-named-by-its-day")
def _() -> Case:
    b, told, when = glide(6)
    name = "2031-03-14-XXX-001-01.igc"
    return Case({name: igc(b, [])}, 6, told, when, [warn("DATE_FROM_FILE_NAME", 1, name)])


@case("58c-nmea-gga-only-dated-by-the-file-name")
def _() -> Case:
    when = seconds(6)
    flat = [gga(s, h) for s, h in zip(when, height(6), strict=True)]
    told = {"gps_alt_msl": channel("GGA.9", "m", height(6))}
    found = warn("DATE_FROM_FILE_NAME", 1, "20310314_gps.nmea")
    return Case({"20310314_gps.nmea": text(flat, end="\r\n")}, 6, told, times(when), [found])


@case("60a-nmea-two-sentences-on-one-line")
def _() -> Case:
    when = seconds(8)
    parts = pairs(when)
    flat = [x for i, pair in enumerate(parts) for x in (["".join(pair)] if i == 3 else pair)]
    return satellite(flat, when, [95.0] * 8, height(8), warn("GLUED_SENTENCES", 1, "line 7"))


@case("60b-nmea-cut-sentence-glued-to-the-next")
def _() -> Case:
    when = seconds(8)
    parts = pairs(when)
    flat = [x for pair in parts for x in pair]
    flat[9:11] = [flat[9][:25] + flat[10]]  # the GGA of row 5 is cut, the RMC of row 6 stands behind it
    high = height(8)
    high[4] = NAN
    return satellite(
        flat, when, [95.0] * 8, high, warn("GLUED_SENTENCES", 1, "line 10"), warn("NO_CHECKSUM", 1, "line 10")
    )


@case("60c-nmea-all-on-one-line-talker-gn")
def _() -> Case:
    when = seconds(5)
    flat = "".join(x for pair in pairs(when, "GN") for x in pair)
    return satellite([flat], when, [95.0] * 5, height(5), warn("GLUED_SENTENCES", 9, "line 1"))


def igc(fixes: Sequence[str], head: Sequence[str] = ("HFDTE140331",), more: Sequence[str] = ()) -> bytes:
    """An IGC file of B records."""
    return text("AXXX000", list(head), "HFDTM100GPSDATUM:WGS84", list(more), list(fixes), end="\r\n")


def fix(second: float, pressure: int, gnss: int, valid: str = "A", extra: str = "", lat: str = "3400000S") -> str:
    """A B record."""
    low = f"-{-pressure:04d}" if pressure < 0 else f"{pressure:05d}"
    return f"B{civil(second, '%H%M%S')}{lat}14000000W{valid}{low}{gnss:05d}{extra}"


def heights(n: int) -> tuple[list[int], list[int]]:
    """Pressure and satellite altitude, metres."""
    return [1790 - 8 * i for i in range(n)], [1812 - 8 * i for i in range(n)]


def glide(n: int, when: Sequence[float] | None = None) -> tuple[list[str], dict[str, Any], dict[str, Any]]:
    """B records, their channels and their time."""
    when = when or seconds(n)
    p, g = heights(n)
    told = {"pressure_alt": channel("B pressure", "m", p), "gnss_alt": channel("B gnss", "m", g)}
    return [fix(*x) for x in zip(when, p, g, strict=True)], told, times(when)


@case("63a-igc-long-date-header")
def _() -> Case:
    b, told, when = glide(6)
    return Case({"log.igc": igc(b, ["HFDTEDATE:140331,01"])}, 6, told, when)  # the form of today's specification


@case("63b-igc-date-header-with-blanks-and-dots")
def _() -> Case:
    b, told, when = glide(6)
    found = warn("NONSTANDARD_DATE_HEADER", 1, "line 2")
    return Case({"log.igc": igc(b, ["HFDTE: 14.03.31"])}, 6, told, when, [found])


@case("63c-igc-hodte-header")
def _() -> Case:
    b, told, when = glide(6)
    found = warn("NONSTANDARD_DATE_HEADER", 1, "line 2")
    return Case({"log.igc": igc(b, ["HODTE140331"])}, 6, told, when, [found])


@case("64b-igc-midnight-with-a-second-date-header")
def _() -> Case:
    b, told, when = glide(8, seconds(8, start=MIDNIGHT - 4))
    return Case({"log.igc": igc([*b[:4], "HFDTE150331", *b[4:]])}, 8, told, when)  # stated: nothing is concluded


def _extended(cells: Sequence[str], speed: Sequence[float], line: str, count: int = 1) -> Case:
    p, g = heights(len(cells))
    b = [fix(s, a, h, extra=c) for s, a, h, c in zip(seconds(len(cells)), p, g, cells, strict=True)]
    told = {
        "pressure_alt": channel("B pressure", "m", p),
        "fxa": channel("FXA", "m", [12] * len(cells)),
        "tas": channel("TAS", "km/h", speed),
    }
    content = igc(b, more=["I023638FXA3941TAS"])
    return Case({"log.igc": content}, len(p), told, times(seconds(len(p))), [warn("BAD_EXTENSION_FIELD", count, line)])


@case("65a-igc-extension-field-with-letters")
def _() -> Case:
    speed = [float(176 + i) for i in range(8)]
    cells = [f"012{v:03.0f}" for v in speed]
    cells[3], speed[3] = "0121x9", NAN
    return _extended(cells, speed, "line 8")


@case("65b-igc-extension-field-cut-and-dashed")
def _() -> Case:
    speed = [float(176 + i) for i in range(8)]
    cells = [f"012{v:03.0f}" for v in speed]
    cells[2], speed[2] = "012---", NAN
    cells[6], speed[6] = "01218", NAN
    return _extended(cells, speed, "lines 7, 11", 2)


@case("69a-igc-gap-between-fixes")
def _() -> Case:
    when = [s for i, s in enumerate(seconds(30)) if not 10 <= i < 22]
    b, told, time = glide(18, when)
    return Case({"log.igc": igc(b)}, 18, told, time, [warn("GAP", 1, missing_rows=12)])


@case("69b-igc-one-fix-out-of-order")
def _() -> Case:
    b, told, when = glide(10)
    b[4], b[5] = b[5], b[4]
    return Case({"log.igc": igc(b)}, 10, told, when, [warn("TIME_REVERSAL", 1)])


@case("69c-igc-repeated-fix-and-bad-record")
def _() -> Case:
    b, told, when = glide(10)
    bad = b[7][:20] + "##" + b[7][22:]
    content = igc([*b[:7], bad, *b[7:]])
    return Case({"log.igc": content}, 10, told, when, [warn("ROW_DROPPED", 1, "line 11")])


def gpx(points: Sequence[str], end: str = "</trkseg></trk></gpx>\n", head: str = "UTF-8") -> bytes:
    """A GPX track."""
    top = f'<?xml version="1.0" encoding="{head}"?>\n<gpx version="1.1" creator="case"'
    top += ' xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>\n'
    return (top + "".join(p + "\n" for p in points) + end).encode(head)


def point(i: int, stamp: str, high: float) -> str:
    """A track point."""
    place = f'lat="{-34.0 - 1e-4 * i:.4f}" lon="-140.0"'
    return f"<trkpt {place}><ele>{high:.0f}</ele><time>{stamp}</time></trkpt>"


def walk(stamps: Sequence[str]) -> tuple[list[str], list[float]]:
    """Points of a track and their heights."""
    high = [float(1800 - 8 * i) for i in range(len(stamps))]
    return [point(i, s, h) for i, (s, h) in enumerate(zip(stamps, high, strict=True))], high


def _track(content: bytes, high: Sequence[float], when: Sequence[float], *found: dict[str, Any]) -> Case:
    return Case({"log.gpx": content}, len(when), {"ele": channel("ele", "m", high)}, times(when), found)


@case("73a-gpx-cut-inside-a-point")
def _() -> Case:
    when = seconds(8)
    points, high = walk([iso(s) for s in when])
    content = gpx(points, "")[:-40]
    return _track(content, high[:7], when[:7], warn("TRUNCATED_XML", 1))


@case("73b-gpx-cut-inside-a-tag-of-a-second-segment")
def _() -> Case:
    when = seconds(10)
    points, high = walk([iso(s) for s in when])
    points[6] = "</trkseg><trkseg>" + points[6]
    content = gpx(points, "<trk")
    return _track(content, high, when, warn("TRUNCATED_XML", 1))


@case("73c-gpx-nul-tail")
def _() -> Case:
    when = seconds(8)
    points, high = walk([iso(s) for s in when])
    content = gpx(points, "") + b"\0" * 300
    return _track(content, high, when, warn("TRUNCATED_XML", 1), warn("NUL_BYTES", 300))


@case("72b-gpx-milliseconds-and-offsets")
def _() -> Case:
    when = seconds(10, 0.2)
    stamps = [iso(s + 5.5 * 3600, 3, "+05:30") for s in when]
    points, high = walk(stamps)
    return _track(gpx(points), high, when)


@case("74b-gpx-times-on-some-points-only")
def _() -> Case:
    when = seconds(10)
    points, high = walk([iso(s) for s in when])
    for i in (2, 6):
        points[i] = points[i].split("<time>")[0] + "</trkpt>"
    kept = [i for i in range(10) if i not in (2, 6)]
    return _track(gpx(points), [high[i] for i in kept], [when[i] for i in kept], warn("BAD_STAMP", 2))


@case("33b-day-month-settled-by-a-gpx-companion")
def _() -> Case:
    when = [s + 21 * 86400 for s in seconds(10)]  # 2031-04-04 is the same both ways: 5 April is not
    when = [s + 86400 for s in when]
    points, high = walk([iso(s) for s in when])
    alt = altitude(10)
    stamps = [civil(s, "%d/%m/%y %H:%M:%S") for s in when]
    content = text("stamp,pressure_alt_ft", rows(stamps, fixed(alt)))
    told = {"alt": channel("pressure_alt_ft", "ft", alt), "ele": channel("ele", "m", high)}
    found = warn("DATE_ORDER_FROM_COMPANION", 1, "recorder.csv")
    return Case({"recorder.csv": content, "track.gpx": gpx(points)}, 20, told, times(when), [found])


@case("62b-nmea-leap-second-talker-gn")
def _() -> Case:
    start = 1483228798.0  # 2016-12-31T23:59:58Z
    flat = [rmc(start, "A", "GN"), rmc(start + 1, "A", "GN")]
    leap = flat[1].split("*")[0][1:].replace("235959.00", "235960.00")
    flat += [sealed(leap), rmc(start + 2, "A", "GN"), rmc(start + 3, "A", "GN")]
    told = {"gps_speed": channel("RMC.7", "kt", [95.0] * 5)}
    return Case({"gps.nmea": text(flat, end="\r\n")}, 5, told, None, [warn("LEAP_SECOND", 1, "line 3")])
