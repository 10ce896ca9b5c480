"""How lines and fields can be broken: delimiters, headers, damaged bytes, encodings, line ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .facts import T0, Case, case, channel, times, warn
from .tables import NAMES, airspeed, altitude, fixed, iso, revolutions, rows, seconds, temperature, text

HEADER = "utc," + ",".join(NAMES)
UNITS = ("ft", "kt", "degC", "rpm")
MEANT = ("pressure_altitude", "indicated_airspeed", "outside_air_temperature", "engine_speed")


def columns(n: int) -> list[list[Any]]:
    """Altitude, airspeed, temperature and engine speed of n rows."""
    return [altitude(n), airspeed(n), temperature(n), revolutions(n)]


def told(kept: Sequence[Sequence[Any]], names: Sequence[str] = NAMES) -> dict[str, Any]:
    """The four channels' facts."""
    return {m: channel(s, u, v, m) for s, u, v, m in zip(names, UNITS, kept, MEANT, strict=True)}


def lines(n: int, by: str = ",", comma: bool = False) -> list[str]:
    """The short flight as lines."""
    alt, ias, oat, rpm = columns(n)
    stamps = [iso(s) for s in seconds(n)]
    return rows(stamps, fixed(alt, 1, comma), fixed(ias, 1, comma), fixed(oat, 1, comma), rpm, by=by)


def without(n: int, *gone: int) -> tuple[list[list[Any]], list[float]]:
    """Columns and stamps of the rows that stay."""
    stay = [i for i in range(n) if i not in gone]
    return [[c[i] for i in stay] for c in columns(n)], [seconds(n)[i] for i in stay]


def plain(content: bytes, n: int, *warnings: dict[str, Any], gone: Sequence[int] = ()) -> Case:
    """One file log.csv of the short flight with n rows, of which `gone` are dropped."""
    kept, stamps = without(n, *gone)
    return Case({"log.csv": content}, len(stamps), told(kept), times(stamps), warnings)


@case("02a-trailing-delimiter-header-and-rows")
def _() -> Case:
    content = text(HEADER + ",", [x + "," for x in lines(8)])
    return plain(content, 8, warn("TRAILING_DELIMITER", 8))


@case("02b-trailing-delimiter-some-rows-semicolon")
def _() -> Case:
    body = [x + ";" * (i in (2, 3, 7)) for i, x in enumerate(lines(10, ";"))]
    return plain(text(HEADER.replace(",", ";"), body), 10, warn("TRAILING_DELIMITER", 3))


@case("07a-header-repeated-every-five-rows")
def _() -> Case:
    body = lines(15)
    content = text(HEADER, body[:5], HEADER, body[5:10], HEADER, body[10:])
    return plain(content, 15, warn("HEADER_REPEATED", 2, "lines 7, 13"))


@case("07b-header-repeated-with-comments-tab")
def _() -> Case:
    head, body = HEADER.replace(",", "\t"), lines(12, "\t")
    content = text("# recorder UNIT-B", head, body[:6], "# marker pressed", head, body[6:])
    return plain(content, 12, warn("PREAMBLE_SKIPPED", 1, "line 1"), warn("HEADER_REPEATED", 1, "line 10"))


@case("07c-header-and-units-repeated-other-case-of-quotes")
def _() -> Case:
    head = ",".join(f'"{n}"' for n in ("utc", "pressure_alt", "ias", "oat", "rpm"))
    units, body = ",ft,kt,degC,rpm", lines(10)
    content = text(head, units, body[:5], head, units, body[5:])
    out = plain(content, 10, warn("UNITS_ROW_FOUND", 1, "line 2"), warn("HEADER_REPEATED", 1, "line 8"))
    names = told(columns(10), ("pressure_alt", "ias", "oat", "rpm"))
    return Case(out.files, 10, names, out.time, out.warnings)


@case("08a-session-restart-with-header")
def _() -> Case:
    alt = altitude(20)
    clock = [i * 0.5 for i in range(20)]
    first, second = rows(fixed(clock[:12]), fixed(alt[:12])), rows(fixed(clock[:8]), fixed(alt[12:]))
    content = text("elapsed_s,pressure_alt_ft", first, "elapsed_s,pressure_alt_ft", second)
    channels = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("SESSION_RESTART", 1, "line 15"), warn("HEADER_REPEATED", 1, "line 14")
    return Case({"log.csv": content}, 20, channels, None, found)


@case("08b-session-restart-milliseconds-no-header")
def _() -> Case:
    alt, cut = altitude(30), (11, 22)
    clock = [100 * i for i in range(11)] + [100 * i for i in range(11)] + [100 * i for i in range(8)]
    content = text("time_ms;pressure_alt_ft", rows(clock, fixed(alt), by=";"))
    found = warn("SESSION_RESTART", 2, f"lines {cut[0] + 2}, {cut[1] + 2}")
    return Case({"log.csv": content}, 30, {"alt": channel("pressure_alt_ft", "ft", alt)}, None, [found])


@case("11a-nul-bytes-in-the-middle-of-a-row")
def _() -> Case:
    body = lines(10)
    broken = text(HEADER, body).replace(body[4].encode(), body[4].encode()[:30] + b"\0" * 17)
    return plain(broken, 10, warn("NUL_BYTES", 17, "line 6"), warn("ROW_DROPPED", 1, "line 6"), gone=[4])


@case("11b-nul-block-between-rows")
def _() -> Case:
    body = lines(12)
    content = text(HEADER, body[:6]) + b"\0" * 256 + text(body[6:])
    found = warn("NUL_BYTES", 256, "line 8"), warn("ROW_DROPPED", 1, "line 8")
    return plain(content, 12, *found, gone=[6])  # a row behind the block may have lost its beginning


@case("14a-short-row")
def _() -> Case:
    body = lines(9)
    body[5] = body[5].rsplit(",", 2)[0]
    return plain(text(HEADER, body), 9, warn("SHORT_ROW", 1, "line 7", fields=3, expected=5), gone=[5])


@case("14b-two-short-rows-tab")
def _() -> Case:
    body = lines(12, "\t")
    for i in (0, 7):
        body[i] = "\t".join(body[i].split("\t")[:4])
    found = warn("SHORT_ROW", 2, "lines 2, 9")
    return plain(text(HEADER.replace(",", "\t"), body), 12, found, gone=[0, 7])


@case("14c-cut-row-joined-with-the-next")
def _() -> Case:
    body = lines(10)
    joined = body[4][:27] + body[5]
    content = text(HEADER, body[:4], joined, body[6:])
    return plain(content, 10, warn("RAGGED_ROW", 1, "line 6"), warn("GAP", 1), gone=[4, 5])


@case("16a-names-differ-by-case-only")
def _() -> Case:
    a, b = airspeed(8), [v + 2 for v in airspeed(8)]
    content = text("utc,IAS,ias", rows([iso(s) for s in seconds(8)], fixed(a), fixed(b)))
    channels = {"one": channel("IAS (column 2)", None, a), "two": channel("ias (column 3)", None, b)}
    found = warn("CASE_COLLISION", 1), warn("UNIT_UNKNOWN", 2)
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), found)


@case("16b-names-differ-by-case-with-units")
def _() -> Case:
    a, b = [float(v) for v in revolutions(8)], [2 * v for v in airspeed(8)]
    content = text("utc;Rpm [rpm];RPM [rpm]", rows([iso(s) for s in seconds(8)], fixed(a), fixed(b), by=";"))
    channels = {"one": channel("Rpm [rpm] (column 2)", "rpm", a), "two": channel("RPM [rpm] (column 3)", "rpm", b)}
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), [warn("CASE_COLLISION", 1)])


@case("19a-cp1252-degree-sign")
def _() -> Case:
    names = ("Pressure Alt [ft]", "IAS [kt]", "OAT [°C]", "RPM")
    content = text("UTC;" + ";".join(names), lines(8, ";")).decode().encode("cp1252")
    found = warn("ENCODING_DETECTED", 1)
    return Case({"log.csv": content}, 8, told(columns(8), names), times(seconds(8)), [found])


@case("19b-cp1252-units-row-with-brackets")
def _() -> Case:
    head, units = "utc,pressure_alt,ias,oat,rpm", "[],[ft],[kt],[°C],[1/min]"
    content = text(head, units, lines(8)).decode().encode("cp1252")
    found = warn("ENCODING_DETECTED", 1), warn("UNITS_ROW_FOUND", 1, "line 2")
    names = ("pressure_alt", "ias", "oat", "rpm")
    return Case({"log.csv": content}, 8, told(columns(8), names), times(seconds(8)), found)


@case("29a-carriage-returns-only")
def _() -> Case:
    return plain(text(HEADER, lines(8), end="\r"), 8)


@case("29b-aligned-with-blanks")
def _() -> Case:
    alt, ias, oat, rpm = columns(8)
    wide = [
        f"{iso(s):<24}{a:>16.1f}{i:>8.1f}{o:>8.1f}{r:>6d}"
        for s, a, i, o, r in zip(seconds(8), alt, ias, oat, rpm, strict=True)
    ]
    head = f"{'utc':<24}{NAMES[0]:>16}{NAMES[1]:>8}{NAMES[2]:>8}{NAMES[3]:>6}"
    return plain(text(head, wide), 8)


@case("29c-bar-delimited-with-edges")
def _() -> Case:
    return plain(text(HEADER.replace(",", "|"), lines(8, "|"), end="\r\n"), 8)


@case("29d-blanks-around-fields-and-blank-lines")
def _() -> Case:
    body = [" " + x.replace(",", " , ") + " " for x in lines(8)]
    return plain(text(HEADER.replace(",", " , "), "", body[:4], "", "   ", body[4:], ""), 8)


@case("08c-session-restart-with-preamble-and-start")
def _() -> Case:
    alt = altitude(20)
    clock = [float(i) for i in range(12)] + [float(i) for i in range(8)]
    head = "elapsed_s,pressure_alt_ft"
    body = rows(fixed(clock), fixed(alt))
    first, second = ["Recorder,UNIT-A", "Start,2031-03-14T09:26:40Z"], ["Recorder,UNIT-A", "Start,2031-03-14T09:41:40Z"]
    content = text(first, head, body[:12], second, head, body[12:])
    when = [*seconds(12), *seconds(8, start=T0 + 900)]
    found = (
        warn("PREAMBLE_SKIPPED", 2, "lines 1-2"),
        warn("HEADER_REPEATED", 1, "line 18"),
        warn("SESSION_RESTART", 1, "line 19"),
    )
    return Case({"log.csv": content}, 20, {"alt": channel("pressure_alt_ft", "ft", alt)}, times(when), found)
