"""IGC, NMEA 0183 and GPX files off the beaten track: every right answer was written down before a reader was asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from tests.right_answers import Refused, Right, Samples, differences

N = 20
FIRST, LAST = "2031-04-01T10:00:00Z", "2031-04-01T10:00:19Z"
Case = tuple[Callable[[Path], Path], Right | Refused]


def written(name: str, text: str, codec: str = "utf-8") -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(text.encode(codec))
        return folder / name

    return make


# -- IGC ----------------------------------------------------------------------------------------


def fix(k: int, *, valid: str = "A", pressure: str = "01200", gnss: str = "01250", more: str = "") -> str:
    return f"B1000{k:02d}4700{100 + k:03d}N00800000E{valid}{pressure}{gnss}{more}"


def igc(lines: Sequence[str], *, head: Sequence[str] = ("AXXXABC", "HFDTE010431"), end: str = "\r\n") -> str:
    return end.join([*head, *lines]) + end


FIXES = [fix(k) for k in range(N)]
POSITION = {"latitude": Samples(47.001667, 47.001983)}
WHOLE = Right(N, "utc", FIRST, LAST)
EXTENSION = "I023638FXA3940SIU"
IGC: dict[str, str] = {
    "plain": igc(FIXES),
    "small letters": igc(FIXES).lower(),
    "the date header of newer recorders": igc(FIXES, head=["AXXXABC", "HFDTEDATE:010431,01"]),
    "the date header with blanks": igc(FIXES, head=["AXXXABC", "HFDTE: 01 04 31"]),
    "no recorder's line": igc(FIXES, head=["HFDTE010431"]),
    "a byte order mark": "\ufeff" + igc(FIXES),
    "task and comments among the fixes": igc(
        [
            "C010431095500010431000102TASK",
            "C4700000N00800000ETAKEOFF",
            *FIXES[:8],
            "LXXXcomment",
            "E100008PEV",
            "F100008010203",
            *FIXES[8:],
        ]
    ),
    "invalid fixes among good ones": igc(
        [fix(k, valid="V" if 5 <= k < 8 else "A", gnss="00000" if 5 <= k < 8 else "01250") for k in range(N)]
    ),
    "extensions": igc([fix(k, more=f"{100 + k:03d}08") for k in range(N)], head=["AXXXABC", "HFDTE010431", EXTENSION]),
    "records of their own rate": igc(
        [line for k in range(N) for line in ([fix(k), f"K1000{k:02d}{90 + k:03d}"] if k % 2 == 0 else [fix(k)])],
        head=["AXXXABC", "HFDTE010431", "J010810IAS"],
    ),
    "lines of zeros in between": igc([*FIXES[:9], "", "   ", *FIXES[9:]]),
    "a signature cut short": igc([*FIXES, "GABCDEF0123456789", "GABC"]),
    "line feeds only": igc(FIXES, end="\n"),
    "carriage returns only": igc(FIXES, end="\r"),
}


def _igc_right(name: str) -> Right:
    if name == "invalid fixes among good ones":
        return Right(N, "utc", FIRST, LAST, codes=["VOID_FIX"])
    if name == "extensions":
        return Right(N, "utc", FIRST, LAST, {"FXA": Samples(100.0, 119.0)})
    if name == "records of their own rate":
        return Right(N + N // 2, "utc", FIRST, LAST, {"IAS": Samples(90.0, 108.0, n=10)})
    return WHOLE


# -- NMEA 0183 ------------------------------------------------------------------------------------


def sentence(body: str, *, checked: bool = True) -> str:
    total = 0
    for letter in body:
        total ^= ord(letter)
    return f"${body}" + (f"*{total:02X}" if checked else "")


def rmc(k: int, talker: str = "GP", clock: str | None = None, checked: bool = True) -> str:
    time = clock or f"1000{k:02d}.00"
    return sentence(
        f"{talker}RMC,{time},A,4700.{100 + k:03d},N,00800.000,E,95.5,{90 + k}.0,010431,,,A", checked=checked
    )


def gga(k: int, talker: str = "GP", clock: str | None = None) -> str:
    return sentence(
        f"{talker}GGA,{clock or f'1000{k:02d}.00'},4700.{100 + k:03d},N,00800.000,E,1,09,0.9,{1500 + k}.5,M,47.0,M,,"
    )


def nmea(*lines: Sequence[str]) -> str:
    return "\r\n".join(line for k in range(N) for line in (part[k] for part in lines)) + "\r\n"


EACH = range(N)
NMEA: dict[str, tuple[str, Right]] = {
    "one talker": (nmea([rmc(k) for k in EACH], [gga(k) for k in EACH]), WHOLE),
    "several systems as one talker": (nmea([rmc(k, "GN") for k in EACH], [gga(k, "GN") for k in EACH]), WHOLE),
    "talkers mixed": (nmea([rmc(k, "GN") for k in EACH], [gga(k, "GP") for k in EACH]), WHOLE),
    "another system's talker": (nmea([rmc(k, "GL") for k in EACH]), WHOLE),
    "no checksums anywhere": (
        nmea([rmc(k, checked=False) for k in EACH]),
        Right(N, "utc", FIRST, LAST, codes=["NO_CHECKSUM"]),
    ),
    "tenths of a second": (
        nmea([rmc(k, clock=f"1000{k // 10:02d}.{k % 10}") for k in EACH]),
        Right(N, "utc", FIRST, "2031-04-01T10:00:01.900000Z", step=0.1),
    ),
    "a stamp of the computer in front": (
        nmea([f"2031-04-01 12:00:{k:02d}.123 {rmc(k)}" for k in EACH]),
        WHOLE,
    ),
    "a tag block in front": (nmea([f"\\s:gps,c:1932804000*00\\{rmc(k)}" for k in EACH]), WHOLE),
    "small letters in the checksum": (nmea([rmc(k)[:-2] + rmc(k)[-2:].lower() for k in EACH]), WHOLE),
    "times without fraction": (nmea([rmc(k, clock=f"1000{k:02d}") for k in EACH]), WHOLE),
    "the date in its own sentence": (
        nmea([gga(k) for k in EACH], [sentence(f"GPZDA,1000{k:02d}.00,01,04,2031,00,00") for k in EACH]),
        WHOLE,
    ),
}

# -- GPX ------------------------------------------------------------------------------------------


def gpx(
    segments: Sequence[Sequence[str]], *, spaces: str = 'xmlns="http://www.topografix.com/GPX/1/1"', prefix: str = ""
) -> str:
    inner = "".join(f"<{prefix}trkseg>{''.join(points)}</{prefix}trkseg>" for points in segments)
    return f"<?xml version='1.0'?><{prefix}gpx version='1.1' {spaces}><{prefix}trk>{inner}</{prefix}trk></{prefix}gpx>"


def point(k: int, *, more: str = "", time: str | None = None, prefix: str = "") -> str:
    stamp = time or f"2031-04-01T10:00:{k:02d}Z"
    return f"<{prefix}trkpt lat='{47 + k / 1000:.3f}' lon='8.0'><{prefix}ele>{500 + k}</{prefix}ele><{prefix}time>{stamp}</{prefix}time>{more}</{prefix}trkpt>"


def speed(k: int) -> str:
    return f"<extensions><x:speed>{40 + k}.5</x:speed><x:course>{90 + k}</x:course></extensions>"


POINTS = [point(k) for k in EACH]
GPX: dict[str, tuple[str, Right]] = {
    "one segment": (gpx([POINTS]), WHOLE),
    "three segments": (gpx([POINTS[:5], POINTS[5:12], POINTS[12:]]), WHOLE),
    "an empty segment": (gpx([POINTS[:5], [], POINTS[5:]]), WHOLE),
    "extensions": (
        gpx(
            [[point(k, more=speed(k)) for k in EACH]],
            spaces="xmlns='http://www.topografix.com/GPX/1/1' xmlns:x='urn:x'",
        ),
        WHOLE,
    ),
    "a prefix for the name space": (
        gpx([[point(k, prefix="g:") for k in EACH]], spaces="xmlns:g='http://www.topografix.com/GPX/1/1'", prefix="g:"),
        WHOLE,
    ),
    "no name space": (gpx([POINTS], spaces=""), WHOLE),
    "fractions of a second": (
        gpx([[point(k, time=f"2031-04-01T10:00:{k // 10:02d}.{k % 10}00Z") for k in EACH]]),
        Right(N, "utc", FIRST, "2031-04-01T10:00:01.900000Z", step=0.1),
    ),
    "offsets of a zone": (gpx([[point(k, time=f"2031-04-01T15:30:{k:02d}+05:30") for k in EACH]]), WHOLE),
    "way points and routes beside": (
        gpx([POINTS]).replace(
            "<trk>", "<wpt lat='47' lon='8'><name>field</name></wpt><rte><rtept lat='47' lon='8'/></rte><trk>"
        ),
        WHOLE,
    ),
}

# -- headers in quotes ----------------------------------------------------------------------------


def quoted(header: str, row: str = "2031-04-01T10:00:{k:02d}Z,{ias},{rpm}", above: str = "") -> str:
    return above + header + "\n" + "".join(row.format(k=k, ias=80.5 + k, rpm=2400 + k) + "\n" for k in EACH)


AIR = Samples(80.5, 99.5, unit="kt", channel="indicated_airspeed")
QUOTED: dict[str, tuple[str, Right]] = {
    "a line end in a header cell": (quoted('UTC,"IAS\n(kt)",RPM'), Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR})),
    "line ends in all header cells": (
        quoted('"UTC\ntime","IAS\n(kt)","Engine\nspeed\nRPM"'),
        Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR}),
    ),
    "a line end in a header cell, lines above": (
        quoted('UTC,"IAS\n(kt)",RPM', above="Recorder A\nSoftware 1.2\n"),
        Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR}),
    ),
    "a line end in a header cell, quotes in the rows": (
        quoted('"UTC","IAS\n(kt)","RPM"', row='"2031-04-01T10:00:{k:02d}Z","{ias}","{rpm}"'),
        Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR}),
    ),
    "carriage returns and line feeds": (
        quoted('UTC,"IAS\n(kt)",RPM').replace("\n", "\r\n"),
        Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR}),
    ),
    "a line end in a remark": (
        quoted("UTC,IAS (kt),Remark", row='2031-04-01T10:00:{k:02d}Z,{ias},"smooth\nair"'),
        Right(N, "utc", FIRST, LAST, {"IAS (kt)": AIR}),
    ),
    "the delimiter in a header cell": (
        quoted('UTC,"IAS, indicated (kt)",RPM'),
        Right(N, "utc", FIRST, LAST, {"IAS, indicated (kt)": AIR}),
    ),
    "quotes in a quoted header": (
        quoted('UTC,"IAS ""raw"" (kt)",RPM'),
        Right(N, "utc", FIRST, LAST, {'IAS "raw" (kt)': Samples(80.5, 99.5, unit="kt")}),
    ),
}
CASES: dict[str, Case] = {
    **{f"IGC, {k}": (written("log.igc", v), _igc_right(k)) for k, v in IGC.items()},
    **{f"NMEA, {k}": (written("log.nmea", v), right) for k, (v, right) in NMEA.items()},
    **{f"GPX, {k}": (written("log.gpx", v), right) for k, (v, right) in GPX.items()},
    **{f"quoted, {k}": (written("log.csv", v), right) for k, (v, right) in QUOTED.items()},
}


@pytest.mark.parametrize("name", CASES)
def test_satellite(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
