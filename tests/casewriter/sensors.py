"""Sensors that wrap, stick, bounce, lag, change their unit, or do not say what they measure."""

from __future__ import annotations

import math
from typing import Any

from .facts import T0, Case, case, channel, times, warn
from .gnss import gga, sealed
from .tables import airspeed, altitude, civil, fixed, iso, rows, seconds, text

NAN = math.nan


def named(head: str, values: dict[str, list[Any]], step: float = 1.0, digits: int = 0) -> tuple[bytes, list[float]]:
    """A file of ISO stamps and ready columns."""
    n = len(next(iter(values.values())))
    when = seconds(n, step)
    return text(head, rows([iso(s, digits) for s in when], *values.values())), when


@case("81b-unsigned-sixteen-bit-wrap-upwards-and-back")
def _() -> Case:
    true = [65200 + 80 * i for i in range(10)] + [65920 - 80 * i for i in range(1, 10)]
    content, when = named("utc,gps_alt_dm", {"a": [v % 65536 for v in true]})
    told = {"gps_alt": channel("gps_alt_dm", "m", [v / 10 for v in true])}
    return Case({"log.csv": content}, 19, told, times(when), [warn("INT16_WRAP", 2, "line 7", step=-65536)])


@case("83a-heading-through-north-with-missing-samples")
def _() -> Case:
    heading = [float((352 + 2 * i) % 360) for i in range(12)]
    cells = [f"{v:.0f}" for v in heading]
    for i in (3, 4, 8):
        cells[i], heading[i] = "", NAN
    content, when = named("utc,heading_deg", {"h": cells})
    return Case({"log.csv": content}, 12, {"heading": channel("heading_deg", "deg", heading)}, times(when))


@case("83b-heading-signed-through-south")
def _() -> Case:
    heading = [float((175 + 2 * i + 180) % 360 - 180) for i in range(10)]
    content, when = named("utc,heading_mag_deg", {"h": fixed(heading)})
    told = {"heading": channel("heading_mag_deg", "deg", heading, "heading_magnetic")}
    return Case({"log.csv": content}, 10, told, times(when))


@case("87a-gear-switch-bounces")
def _() -> Case:
    gear = [0] * 20 + [1, 0, 1, 1, 0, 1] + [1] * 24
    content, when = named("utc,gear_down", {"g": gear}, 0.1, 1)
    found = warn("SWITCH_BOUNCE", 1, "line 22")
    return Case({"log.csv": content}, 50, {"gear": channel("gear_down", None, gear)}, times(when), [found])


@case("87b-flap-switch-words-bounce-twice")
def _() -> Case:
    state = ["UP"] * 15 + ["DOWN", "UP", "DOWN"] + ["DOWN"] * 22 + ["UP", "DOWN", "UP"] + ["UP"] * 15
    content, when = named("utc,gear", {"g": state}, 0.2, 1)
    found = warn("SWITCH_BOUNCE", 2, "line 17")
    return Case({"log.csv": content}, 58, {"gear": channel("gear", None, state)}, times(when), [found])


@case("89b-stuck-temperature-in-a-climb-fahrenheit")
def _() -> Case:
    alt = altitude(60, 2000.0, 40.0)
    content, when = named("utc,pressure_alt_ft,oat_f", {"a": fixed(alt), "o": ["51.8"] * 60})
    told = {"alt": channel("pressure_alt_ft", "ft", alt), "oat": channel("oat_f", "degF", [51.8] * 60)}
    return Case({"log.csv": content}, 60, told, times(when), [warn("STUCK_CHANNEL", 1, "oat_f")])


@case("90a-airspeed-in-whole-knots")
def _() -> Case:
    ias = [round(95 + 9 * math.sin(i / 9.0)) for i in range(60)]
    content, when = named("utc,ias_kt", {"i": ias}, 0.5, 1)
    return Case(
        {"log.csv": content},
        60,
        {"ias": channel("ias_kt", "kt", ias)},
        times(when),
        [warn("QUANTISED", 1, "ias_kt")],
        outcome="ok",
    )


@case("90b-altitude-in-steps-of-hundred-feet")
def _() -> Case:
    alt = [100 * round((6000 - 24 * i) / 100) for i in range(60)]
    content, when = named("utc,pressure_alt_ft,ias_kt", {"a": alt, "i": fixed(airspeed(60))})
    told = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("QUANTISED", 1, "pressure_alt_ft")
    return Case({"log.csv": content}, 60, told, times(when), [found])


def wave(i: float) -> float:
    """A speed in knots that moves enough to be compared."""
    return 95 + 14 * math.sin(i / 19.0) + 6 * math.sin(i / 6.1)


def circling(second: float, speed: float) -> str:
    """A minimum sentence of an aeroplane that turns left by three degrees a second in still air."""
    i = second - T0
    course = (360.0 - 3.0 * i) % 360.0
    south, west = 3.0 + 0.5 * math.cos(math.radians(3 * i)), 2.0 + 0.6 * math.sin(math.radians(3 * i))
    place = f"34{south:07.4f},S,140{west:07.4f},W"
    return sealed(
        f"GPRMC,{civil(second, '%H%M%S', 2)},A,{place},{speed:.1f},{course:.1f},{civil(second, '%d%m%y')},,,A"
    )


@case("93a-airspeed-in-km-per-hour-under-a-knots-name")
def _() -> Case:
    n = 240
    ias = [round(wave(i) * 1.852, 1) for i in range(n)]
    content, when = named("utc,ias_kt", {"i": fixed(ias)})
    gps = text([circling(s, wave(i)) for i, s in enumerate(when)], end="\r\n")
    told = {"ias": channel("ias_kt", "kt", ias)}
    found = warn("UNIT_CHANGE_SUSPECTED", 1, "ias_kt")
    return Case({"log.csv": content, "gps.nmea": gps}, 2 * n, told, times(seconds(n)), [found])


@case("93b-altitude-in-metres-under-a-feet-name")
def _() -> Case:
    n = 120
    true = [5000 - 12.0 * i + 60 * math.sin(i / 15.0) for i in range(n)]
    alt = [round(v * 0.3048, 1) for v in true]
    content, when = named("utc,pressure_alt_ft", {"a": fixed(alt)})
    gps = text(
        [
            x
            for s, v in zip(when, true, strict=True)
            for x in (circling(s, 95.0 + wave(s - when[0]) / 50), gga(s, v * 0.3048))
        ],
        end="\r\n",
    )
    told = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("UNIT_CHANGE_SUSPECTED", 1, "pressure_alt_ft")
    return Case({"log.csv": content, "gps.nmea": gps}, 2 * n, told, times(seconds(n)), [found])


@case("93c-unit-changes-after-a-reset-inside-the-file")
def _() -> Case:
    n = 80
    true = [round(4 + 0.05 * i + 0.3 * math.sin(i / 5.0), 1) for i in range(n)]
    shown = true[:40] + [round(1.8 * v + 32, 1) for v in true[40:]]
    alt = altitude(n)
    content, when = named("utc,pressure_alt_ft,oat_c", {"a": fixed(alt), "o": fixed(shown)})
    told = {"oat": channel("oat_c", "degC", shown), "alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("UNIT_CHANGE_SUSPECTED", 1, "oat_c")
    return Case({"log.csv": content}, n, told, times(when), [found])


@case("94a-pressure-altitude-follows-late")
def _() -> Case:
    n, tau = 2400, 2.5
    high = [1500 + 90 * math.sin(i / 90.0) + 40 * math.sin(i / 33.0) + 25 * math.sin(i / 17.3) for i in range(n)]
    late, shown = high[0], []
    for v in high:  # first-order lag at 5 rows a second
        late += (v - late) * (1 - math.exp(-0.2 / tau))
        shown.append(late)
    alt = [round(v / 0.3048, 1) for v in shown]
    speed = [round(55 + 6 * math.sin(i / 60.0), 2) for i in range(n)]
    cells = {"a": fixed(alt), "i": fixed(speed, 2), "g": fixed(high, 2)}
    content, when = named("utc,pressure_alt_ft,ias_mps,gps_alt_msl_m", cells, 0.2, 1)
    told = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("LAG_SUSPECTED", 1, "pressure_alt_ft")
    return Case({"log.csv": content}, n, told, times(when), [found])


@case("94b-vertical-speed-follows-late")
def _() -> Case:
    n, tau = 120, 4.0
    true = [0.0 if i < 20 or i >= 80 else -500.0 for i in range(n)]
    late, shown, high, alt = 0.0, [], 6000.0, []
    for v in true:
        alt.append(round(high, 1))
        high += v / 60
        late += (v - late) * (1 - math.exp(-1 / tau))
        shown.append(round(late))
    content, when = named("utc,pressure_alt_ft,vs_fpm", {"a": fixed(alt), "v": shown})
    told = {"vs": channel("vs_fpm", "ft/min", shown)}
    return Case({"log.csv": content}, n, told, times(when), [warn("LAG_SUSPECTED", 1, "vs_fpm")])


@case("94c-short-log-of-a-lagging-static-line")
def _() -> Case:
    n, tau = 120, 3.0
    high = [1800.0 - 5.0 * min(max(i - 20, 0), 60) for i in range(n)]
    late, shown = high[0], []
    for v in high:
        late += (v - late) * (1 - math.exp(-1 / tau))
        shown.append(round(late, 1))
    content, when = named("utc,pressure_alt_m,gps_alt_msl_m", {"a": fixed(shown), "g": fixed(high)})
    told = {"alt": channel("pressure_alt_m", "m", shown)}
    return Case({"log.csv": content}, n, told, times(when), [warn("LAG_SUSPECTED", 1, "pressure_alt_m")])


@case("90c-airspeed-in-steps-of-five-knots")
def _() -> Case:
    ias = [5 * round((95 + 12 * math.sin(i / 9.0)) / 5) for i in range(60)]
    content, when = named("utc,ias_kt", {"i": ias})
    found = warn("QUANTISED", 1, "ias_kt")
    return Case({"log.csv": content}, 60, {"ias": channel("ias_kt", "kt", ias)}, times(when), [found])


@case("88b-flap-position-in-percent-with-noise")
def _() -> Case:
    place = [0.0] * 20 + [2.5 * i for i in range(1, 21)] + [50.0] * 20
    shown = [round(v + 0.4 * math.sin(7.7 * i), 1) for i, v in enumerate(place)]
    content, when = named("utc,flap_pos_pct", {"f": fixed(shown)}, 0.5, 1)
    return Case({"log.csv": content}, 60, {"flap": channel("flap_pos_pct", "%", shown)}, times(when))


@case("91b-altitude-in-metres-called-alt")
def _() -> Case:
    alt = [round(1800 - 7.3 * i, 1) for i in range(20)]
    content, when = named("utc,alt [m]", {"a": fixed(alt)})
    found = warn("ALT_DATUM_UNKNOWN", 1)
    return Case(
        {"log.csv": content}, 20, {"alt": channel("alt [m]", "m", alt, "unnamed_altitude")}, times(when), [found]
    )


@case("92b-heading-true-and-track")
def _() -> Case:
    heading = [round(90 + 0.5 * i, 1) for i in range(20)]
    content, when = named("utc,heading_true_deg,track_true_deg", {"h": fixed(heading), "t": fixed(heading)})
    told = {"heading": channel("heading_true_deg", "deg", heading, "heading_true")}
    return Case({"log.csv": content}, 20, told, times(when))


@case("55b-five-second-averages-stamped-at-end")
def _() -> Case:
    ias = [round(wave(i), 2) for i in range(120)]
    avg = [round(sum(ias[k : k + 5]) / 5, 3) for k in range(0, 120, 5)]
    when = seconds(120)
    ends = [s + 5 for s in when[::5]]
    a = text("utc_end_of_period,ias_avg_kt", rows([iso(s) for s in ends], fixed(avg, 3)))
    b = text("utc,ias_kt", rows([iso(s) for s in when], fixed(ias, 2)))
    told = {"ias": channel("ias_kt", "kt", ias), "avg": channel("ias_avg_kt", "kt", avg)}
    found = warn("PERIOD_END_STAMP", 1, "avg.csv")
    return Case({"avg.csv": a, "inst.csv": b}, 144, told, None, [found])


@case("51b-recorders-twelve-seconds-apart")
def _() -> Case:
    n = 900
    when = seconds(n)

    def climb(s: float) -> float:
        return 5000 + 700 * math.sin(s / 140.0) + 260 * math.sin(s / 41.0) + 90 * math.sin(s / 13.0)

    a = text(
        "utc,pressure_alt_ft,ias_kt",
        rows([iso(s) for s in when], fixed([climb(i) for i in range(n)]), fixed(airspeed(n))),
    )
    b = text(
        "utc,pressure_alt_ft,rpm",
        rows([iso(s) for s in when], fixed([climb(i + 12.4) for i in range(n)]), ["1480"] * n),
    )
    alt = [round(climb(i), 1) for i in range(n)]
    told = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("CLOCK_OFFSET", 1, "b.csv", seconds=-12.4, tolerance=0.3)
    return Case({"a.csv": a, "b.csv": b}, 2 * n, told, None, [found])


@case("89c-heat-soaked-temperature-on-the-ground")
def _() -> Case:
    ground, n = 120, 300
    ias = [0.0] * ground + [min(95.0, 4.0 * i) + 2 * math.sin(i / 7) for i in range(1, n - ground + 1)]
    alt = [300.0] * (ground + 25) + [300.0 + 10.0 * i for i in range(1, n - ground - 24)]
    free = [24.0 - 0.002 * (a - 300.0) for a in alt]
    soak = [9.0 if i < ground else 9.0 * math.exp(-(i - ground) / 25.0) for i in range(n)]
    oat = [round(t + s + 0.1 * math.sin(3.1 * i), 1) for i, (t, s) in enumerate(zip(free, soak, strict=True))]
    cells = {"a": fixed(alt), "i": fixed(ias), "o": fixed(oat)}
    content, when = named("utc,pressure_alt_ft,ias_kt,oat_c", cells)
    found = warn("HEAT_SOAKED", 1, "oat_c")
    return Case({"log.csv": content}, n, {"oat": channel("oat_c", "degC", oat)}, times(when), [found])
