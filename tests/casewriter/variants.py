"""The given kinds once more, written differently: encodings, long preambles, other layouts."""

from __future__ import annotations

import math

from .facts import Case, asked, case, channel, times, warn
from .structure import HEADER, columns, lines, plain, told
from .tables import airspeed, altitude, fixed, iso, revolutions, rows, seconds, text

NAN = math.nan


@case("03b-header-one-name-short-semicolon")
def _() -> Case:
    cells = [x.split(";") for x in lines(8, ";")]
    body = [";".join([*x[:3], "1013.2", *x[3:]]) for x in cells]
    error = asked("HEADER_ROW_WIDTH_MISMATCH", "5 names", "6 fields", "line 1", "line 2")
    content = text(HEADER.replace(",", ";"), body)
    return Case({"log.csv": content}, 8, {}, times(seconds(8)), (), error, "needs_answer")


@case("04b-units-row-in-brackets-date-and-time")
def _() -> Case:
    when, alt, ias = seconds(8), altitude(8), airspeed(8)
    day, clock = [iso(s)[:10] for s in when], [iso(s)[11:19] for s in when]
    head, units = "date,time_utc,pressure_alt,ias", "(yyyy-mm-dd),(hh:mm:ss),(ft),(kt)"
    content = text(head, units, rows(day, clock, fixed(alt), fixed(ias)))
    channels = {"alt": channel("pressure_alt", "ft", alt), "ias": channel("ias", "kt", ias)}
    return Case({"log.csv": content}, 8, channels, times(when), [warn("UNITS_ROW_FOUND", 1, "line 2")])


@case("05b-preamble-of-thirty-lines")
def _() -> Case:
    head = [f"Parameter {i},{i * 1.5:.1f}" for i in range(27)]
    head = ["Recorder,UNIT-B", "", *head, "Remarks,checked, twice, by two people"]
    content = text(head, HEADER, lines(10))
    return plain(content, 10, warn("PREAMBLE_SKIPPED", 30, "lines 1-30"))


@case("05c-preamble-key-equals-value-tab-table")
def _() -> Case:
    head = ["device = UNIT-B", "serial = 0042", "interval = 1 s"]
    content = text(head, HEADER.replace(",", "\t"), lines(8, "\t"))
    return plain(content, 8, warn("PREAMBLE_SKIPPED", 3, "lines 1-3"))


@case("06b-layout-changes-twice")
def _() -> Case:
    n = 75
    alt, ias, rpm = altitude(n), airspeed(n), revolutions(n)
    stamps = [iso(s) for s in seconds(n)]
    three, four = rows(stamps, fixed(alt), fixed(ias)), rows(stamps, fixed(alt), fixed(ias), rpm)
    content = text("utc,pressure_alt_ft,ias_kt", three[:25], four[25:50], three[50:])
    extra = [v if 25 <= i < 50 else NAN for i, v in enumerate(rpm)]
    channels = {
        "alt": channel("pressure_alt_ft", "ft", alt),
        "ias": channel("ias_kt", "kt", ias),
        "unnamed": channel("(unnamed field 4)", None, extra),
    }
    return Case({"log.csv": content}, n, channels, times(seconds(n)), [warn("LAYOUT_CHANGED", 1, "line 27")])


@case("09b-half-written-last-line-utf-16")
def _() -> Case:
    body = lines(8)
    content = (text(HEADER, body[:7]).decode() + body[7][:33]).encode("utf-16")
    found = warn("TRUNCATED_LAST_LINE", 1, "line 9"), warn("ENCODING_DETECTED", 1)
    return plain(content, 8, *found, gone=[7])


@case("12b-quote-in-the-header")
def _() -> Case:
    content = text('utc,"pressure_alt_ft,ias_kt,oat_c,rpm', lines(8))
    return plain(content, 8, warn("UNBALANCED_QUOTE", 1, "line 1"))


@case("12c-inches-mark-in-a-remark")
def _() -> Case:
    alt, remark = altitude(8), ["", "", '5" gauge', "", "", "flap 20", "", ""]
    content = text("utc,pressure_alt_ft,remark", rows([iso(s) for s in seconds(8)], fixed(alt), remark))
    channels = {"alt": channel("pressure_alt_ft", "ft", alt)}
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), [warn("UNBALANCED_QUOTE", 1, "line 4")])


@case("13b-ragged-row-at-the-first-data-line")
def _() -> Case:
    body = lines(9)
    body[0] = body[0].replace("4.0", "4,0")
    return plain(text(HEADER, body), 9, warn("RAGGED_ROW", 1, "line 2"), gone=[0])


@case("15b-duplicate-names-with-units")
def _() -> Case:
    a, b = [168 + i for i in range(8)], [171 + i for i in range(8)]
    content = text("utc,CHT [C],CHT [C]", rows([iso(s) for s in seconds(8)], a, b))
    channels = {"one": channel("CHT [C] (column 2)", "degC", a), "two": channel("CHT [C] (column 3)", "degC", b)}
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), [warn("DUPLICATE_COLUMN", 1, "column 3")])


@case("17b-bom-and-quoted-names")
def _() -> Case:
    head = ",".join(f'"{n}"' for n in HEADER.split(","))
    return plain(b"\xef\xbb\xbf" + text(head, lines(8), end="\r\n"), 8)


@case("18b-utf-16-big-endian")
def _() -> Case:
    content = b"\xfe\xff" + text(HEADER, lines(8), end="\r\n").decode().encode("utf-16-be")
    return plain(content, 8, warn("ENCODING_DETECTED", 1))


@case("18c-utf-16-without-mark")
def _() -> Case:
    content = text(HEADER.replace(",", "\t"), lines(8, "\t")).decode().encode("utf-16-le")
    return plain(content, 8, warn("ENCODING_DETECTED", 1))


@case("20b-decimal-comma-semicolon-other-language")
def _() -> Case:
    when, alt, ias, oat = seconds(10), altitude(10), airspeed(10), columns(10)[2]
    day = [f"{iso(s)[8:10]}.{iso(s)[5:7]}.{iso(s)[:4]} {iso(s)[11:19]}" for s in when]
    cells = [fixed(v, 1, comma=True) for v in (alt, ias, oat)]
    head = "Zeit (UTC);Druckhöhe [ft];Fluggeschwindigkeit IAS [kt];Außentemperatur [°C]"
    names = head.split(";")[1:]
    channels = {n: channel(n, u, v) for n, u, v in zip(names, ("ft", "kt", "degC"), (alt, ias, oat), strict=True)}
    content = text(head, rows(day, *cells, by=";"))
    return Case({"log.csv": content}, 10, channels, times(when), [warn("DECIMAL_COMMA", 3)])


@case("25b-integers-then-decimals-then-exponents")
def _() -> Case:
    cells = [str(95 + i % 3) for i in range(110)] + [f"{95 + i / 10:.1f}" for i in range(10)] + ["1.052e2"] * 3
    ias = [float(c) for c in cells]
    content = text("utc,ias_kt", rows([iso(s) for s in seconds(len(ias))], cells))
    return Case({"log.csv": content}, len(ias), {"ias": channel("ias_kt", "kt", ias)}, times(seconds(len(ias))))


@case("28b-mixed-line-ends-with-lone-carriage-returns")
def _() -> Case:
    body = lines(9)
    ends = ["\n", "\r\n", "\r", "\r\n", "\n", "\n", "\r\n", "\r", "\n"]
    content = (HEADER + "\r\n" + "".join(x + e for x, e in zip(body, ends, strict=True))).encode()
    return plain(content, 9)


@case("30b-blank-file-and-header-with-units-only")
def _() -> Case:
    one = plain(text(HEADER, lines(8)), 8)
    files = {"a.csv": b"  \n\n", "b.csv": text("utc,ias,alt", ",kt,ft"), "c.csv": one.files["log.csv"]}
    found = warn("EMPTY_FILE", 1, "a.csv"), warn("NO_DATA_ROWS", 1, "b.csv"), warn("UNITS_ROW_FOUND", 1, "b.csv")
    return Case(files, 8, told(columns(8)), times(seconds(8)), found)


@case("32b-day-month-undecidable-two-digit-year")
def _() -> Case:
    alt = altitude(8)
    stamps = [f"04.05.31 {iso(s)[11:19]}" for s in seconds(8)]
    error = asked("DATE_ORDER_AMBIGUOUS", "2031-05-04", "2031-04-05", "date order")
    content = text("stamp,pressure_alt_ft", rows([s.replace(".", "/") for s in stamps], fixed(alt)))
    return Case(
        {"log.csv": content}, 8, {"alt": channel("pressure_alt_ft", "ft", alt)}, None, (), error, "needs_answer"
    )
