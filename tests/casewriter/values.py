"""How numbers can be written: decimal commas, thousands marks, typographic minus, words among numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from .facts import Case, case, channel, times, warn
from .tables import airspeed, altitude, fixed, iso, revolutions, rows, seconds, text

NAN = math.nan


def grouped(values: Sequence[float], mark: str, decimal: str = ".", digits: int = 1) -> list[str]:
    """Numbers with thousands marks, as 12.345,6."""
    return [f"{v:,.{digits}f}".replace(",", "\0").replace(".", decimal).replace("\0", mark) for v in values]


def stamps(n: int) -> list[str]:
    """ISO stamps."""
    return [iso(s) for s in seconds(n)]


@case("21a-decimal-comma-and-thousands-dot")
def _() -> Case:
    alt, fuel = [12000.0 - 250.5 * i for i in range(8)], [1200.5 - 0.4 * i for i in range(8)]
    fuel = [round(v, 1) for v in fuel]
    content = text("utc;alt_ft;fuel_lb", rows(stamps(8), grouped(alt, ".", ","), grouped(fuel, ".", ","), by=";"))
    channels = {"alt": channel("alt_ft", "ft", alt), "fuel": channel("fuel_lb", "lb", fuel)}
    found = warn("DECIMAL_COMMA", 2), warn("THOUSANDS_SEPARATOR", 2)
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), found)


@case("21b-thousands-dot-only-beside-decimal-comma")
def _() -> Case:
    alt, ias = [12000 - 250 * i for i in range(8)], airspeed(8)
    content = text("utc;alt_ft;ias_kt", rows(stamps(8), grouped(alt, ".", ",", 0), fixed(ias, 1, comma=True), by=";"))
    channels = {"alt": channel("alt_ft", "ft", alt), "ias": channel("ias_kt", "kt", ias)}
    found = warn("DECIMAL_COMMA", 1), warn("THOUSANDS_SEPARATOR", 1)
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), found)


@case("21c-twelve-point-zero-three-times-is-a-decimal-point")
def _() -> Case:
    volts = [12.000, 12.012, 12.031, 12.044, 12.038, 12.021, 12.009, 12.000]
    content = text("utc;bus_volts_V;ias_kt", rows(stamps(8), fixed(volts, 3), fixed(airspeed(8), 1), by=";"))
    channels = {"volts": channel("bus_volts_V", "V", volts), "ias": channel("ias_kt", "kt", airspeed(8))}
    return Case({"log.csv": content}, 8, channels, times(seconds(8)))


@case("21d-decimal-comma-tab")
def _() -> Case:
    alt, ias = altitude(8), airspeed(8)
    body = rows(stamps(8), fixed(alt, 1, comma=True), fixed(ias, 1, comma=True), by="\t")
    channels = {"alt": channel("pressure_alt_ft", "ft", alt), "ias": channel("ias_kt", "kt", ias)}
    content = text("utc\tpressure_alt_ft\tias_kt", body)
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), [warn("DECIMAL_COMMA", 2)])


@case("22b-thousands-blank")
def _() -> Case:
    alt = [12000 - 250 * i for i in range(8)]
    content = text("utc;alt_ft", rows(stamps(8), grouped(alt, " ", ".", 0), by=";"))
    found = warn("THOUSANDS_SEPARATOR", 1)
    return Case({"log.csv": content}, 8, {"alt": channel("alt_ft", "ft", alt)}, times(seconds(8)), [found])


@case("22c-thousands-apostrophe")
def _() -> Case:
    alt = [12000.5 - 250 * i for i in range(8)]
    content = text("utc,alt_ft", rows(stamps(8), grouped(alt, "'")))
    found = warn("THOUSANDS_SEPARATOR", 1)
    return Case({"log.csv": content}, 8, {"alt": channel("alt_ft", "ft", alt)}, times(seconds(8)), [found])


@case("22d-thousands-narrow-blank-decimal-comma")
def _() -> Case:
    alt, ias = [12000.5 - 250 * i for i in range(8)], airspeed(8)
    content = text("utc;alt_ft;ias_kt", rows(stamps(8), grouped(alt, "\u202f", ","), fixed(ias, 1, comma=True), by=";"))
    channels = {"alt": channel("alt_ft", "ft", alt), "ias": channel("ias_kt", "kt", ias)}
    found = warn("DECIMAL_COMMA", 2), warn("THOUSANDS_SEPARATOR", 1)
    return Case({"log.csv": content}, 8, channels, times(seconds(8)), found)


def _minus(values: list[float], sign: str) -> list[str]:
    return [t.replace("-", sign) for t in fixed(values)]


@case("23a-typographic-minus")
def _() -> Case:
    oat, rate = [-4.0 + 0.6 * i for i in range(10)], [-500.0 + 120.0 * i for i in range(10)]
    oat = [round(v, 1) for v in oat]
    content = text("utc,oat_c,vs_fpm", rows(stamps(10), _minus(oat, "\u2212"), _minus(rate, "\u2212")))
    negative = sum(v < 0 for v in oat + rate)
    channels = {"oat": channel("oat_c", "degC", oat), "vs": channel("vs_fpm", "ft/min", rate)}
    return Case({"log.csv": content}, 10, channels, times(seconds(10)), [warn("TYPOGRAPHIC_MINUS", negative)])


@case("23b-en-dash-minus-decimal-comma")
def _() -> Case:
    oat = [round(-2.0 + 0.5 * i, 1) for i in range(10)]
    cells = [t.replace(".", ",") for t in _minus(oat, "\u2013")]
    content = text("utc;oat_c", rows(stamps(10), cells, by=";"))
    found = warn("TYPOGRAPHIC_MINUS", 4), warn("DECIMAL_COMMA", 1)
    return Case({"log.csv": content}, 10, {"oat": channel("oat_c", "degC", oat)}, times(seconds(10)), found)


@case("24b-sentinel-9999.9-in-one-column-only")
def _() -> Case:
    oat, alt = [round(4 + 0.1 * i, 1) for i in range(30)], altitude(30, 9900.0, 8.1)
    cells = fixed(oat)
    for i in (3, 11, 12, 25):
        cells[i], oat[i] = "9999.9", NAN
    content = text("utc,pressure_alt_ft,oat_c", rows(stamps(30), fixed(alt), cells))
    channels = {"alt": channel("pressure_alt_ft", "ft", alt), "oat": channel("oat_c", "degC", oat)}
    return Case({"log.csv": content}, 30, channels, times(seconds(30)), [warn("SENTINEL_VALUES", 4)])


@case("24c-sentinel-words-with-decimal-comma")
def _() -> Case:
    cht, egt = [168.5 + 0.5 * i for i in range(12)], [640.5 + i for i in range(12)]
    a, b = fixed(cht, 1, comma=True), fixed(egt, 1, comma=True)
    for i, word in ((1, "n/a"), (4, "null"), (6, "")):
        a[i], cht[i] = word, NAN
    for i, word in ((2, "--"), (9, "OFL"), (10, "?")):
        b[i], egt[i] = word, NAN
    content = text("utc;cht_c;egt_c", rows(stamps(12), a, b, by=";"))
    channels = {"cht": channel("cht_c", "degC", cht), "egt": channel("egt_c", "degC", egt)}
    found = warn("SENTINEL_VALUES", 5), warn("DECIMAL_COMMA", 2)
    return Case({"log.csv": content}, 12, channels, times(seconds(12)), found)


@case("26a-text-late-in-a-numeric-column")
def _() -> Case:
    rpm: list[float] = [float(v) for v in revolutions(60)]
    cells = [f"{v:.0f}" for v in rpm]
    cells[51], rpm[51] = "SENSOR FAIL", NAN
    content = text("utc,rpm", rows(stamps(60), cells))
    found = warn("TEXT_IN_NUMERIC", 1, "line 53")
    return Case({"log.csv": content}, 60, {"rpm": channel("rpm", "rpm", rpm)}, times(seconds(60)), [found])


@case("26b-words-in-two-columns-comma-numbers")
def _() -> Case:
    alt, ias = altitude(20), airspeed(20)
    a, b = fixed(alt, 1, comma=True), fixed(ias, 1, comma=True)
    a[17], alt[17] = "defekt", NAN
    b[2], ias[2] = "95,1*", NAN
    content = text("utc;pressure_alt_ft;ias_kt", rows(stamps(20), a, b, by=";"))
    channels = {"alt": channel("pressure_alt_ft", "ft", alt), "ias": channel("ias_kt", "kt", ias)}
    found = [warn("TEXT_IN_NUMERIC", 2, "line 19 line 4"), warn("DECIMAL_COMMA", 2)]
    return Case({"log.csv": content}, 20, channels, times(seconds(20)), found)


@case("27b-state-words-with-none-as-first-value-and-codes")
def _() -> Case:
    gear = ["NA"] * 3 + ["UP"] * 3 + ["DOWN"] * 4
    flap = ["None"] * 5 + ["T/O"] * 5
    code = [f"{i:04d}" for i in range(7, 17)]
    content = text("utc\tgear\tflap_state\tsample", rows(stamps(10), gear, flap, code, by="\t"))
    channels = {
        "gear": channel("gear", None, gear),
        "flap": channel("flap_state", None, flap),
        "id": channel("sample", None, code),
    }
    return Case({"log.csv": content}, 10, channels, times(seconds(10)))
