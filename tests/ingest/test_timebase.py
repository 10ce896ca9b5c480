"""UTC of every recorder: stated, told by companions, answered by the user, or left open and asked.

Leap seconds: IERS Bulletin C (GPS - UTC 16 s from 2012-07-01, 17 s from 2015-07-01, 18 s from
2017-01-01). All other expected times are the ones the test itself put into the clocks.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np
import pytest

from trimshot.ingest.companions import name_zone, zone_shifts
from trimshot.ingest.raw import RawTime, TimeBasis
from trimshot.ingest.timebase import Entry, Solved, gps_to_utc, solve_times, zone_offset_s
from trimshot.shared.errors import SettingsError
from trimshot.shared.recording import Column
from trimshot.shared.settings import InstrumentProfile

HOUR = 3600.0
START = dt.datetime(2031, 3, 14, 21, 30, tzinfo=dt.UTC).timestamp()


def flight(minutes: float = 50, step_s: float = 1.0) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Seconds since START and channels of an invented flight with circuits of six minutes."""
    t = np.arange(0, minutes * 60, step_s)
    turn = 2 * np.pi * t / 360
    height = 600 + 400 * np.sin(2 * np.pi * t / 2500) + 150 * np.sin(turn)
    return t, {
        "latitude": 46.6 + 0.02 * np.sin(turn) + 2e-6 * t,
        "longitude": 14.3 + 0.02 * np.cos(turn) + 5e-6 * t,
        "ground_speed": 50 + 8 * np.sin(turn) + 2 * np.sin(2 * np.pi * t / 1300),
        "pressure_altitude": height,
    }


def columns(values: Mapping[str, np.ndarray], *names: str) -> dict[str, Column]:
    return {n: Column(n, values[n], "1", n) for n in (names or values)}


def receiver(name: str = "gps.nmea") -> Entry:
    t, values = flight()
    return Entry(name, RawTime("utc", START + t), columns(values))


def entry(file: str, basis: TimeBasis, seconds: np.ndarray, *names: str, **more: object) -> Entry:
    _, values = flight()
    keep = {n: values[n][: len(seconds)] for n in names}
    return Entry(file, RawTime(basis, seconds, **more), columns(keep) if names else {})  # type: ignore[arg-type]


def codes(solved: Solved) -> set[str]:
    return {finding.code for finding in solved.findings}


@pytest.mark.parametrize(
    ("day", "lead"),
    [
        ("2012-06-30", 15),
        ("2012-07-02", 16),
        ("2015-07-02", 17),
        ("2016-12-30", 17),
        ("2017-01-02", 18),
        ("2031-03-14", 18),
    ],
)
def test_gps_scale(day: str, lead: int) -> None:
    utc = dt.datetime.fromisoformat(day).replace(tzinfo=dt.UTC).timestamp()
    assert gps_to_utc(np.array([utc + lead]))[0] == utc


def test_gps_week_and_second_of_checks() -> None:
    # week 1811, 164196.732 s, 16 leap seconds -> 2014-09-22 21:36:20.732 UTC (LEAP-TRAP of the checks: subtract, never add)
    epoch = dt.datetime(1980, 1, 6, tzinfo=dt.UTC).timestamp()
    utc = gps_to_utc(np.array([epoch + 1811 * 604800 + 164196.732]))[0]
    expected = dt.datetime(2014, 9, 22, 21, 36, 20, 732000, tzinfo=dt.UTC).timestamp()
    assert utc == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("zone", "seconds"),
    [
        ("UTC", 0),
        ("Z", 0),
        ("+02:00", 7200),
        ("-03:30", -12600),
        ("UTC+12", 43200),
        ("Asia/Kolkata", 19800),
        ("America/Denver", -21600),
    ],
)
def test_zone_words(zone: str, seconds: float) -> None:
    # Denver is on summer time (UTC-6) from 2031-03-09, the second Sunday of March
    assert zone_offset_s(zone, np.array([START])) == seconds


def test_wrong_zone_is_an_error() -> None:
    with pytest.raises(SettingsError, match="Atlantis"):
        zone_offset_s("Atlantis/Nowhere", np.array([START]))


def test_every_quarter_hour_once() -> None:
    shifts = zone_shifts()
    assert len(shifts) == len(set(shifts)) == 26 * 4 + 1
    assert name_zone(20700) == "UTC+5:45"
    assert name_zone(-7 * HOUR) == "UTC-7"
    assert name_zone(0) == "UTC"


def test_stated_zone_and_start() -> None:
    t, _ = flight()
    zone = dt.timezone(dt.timedelta(hours=2))
    solved = solve_times(
        [
            entry("a.csv", "local", START + 2 * HOUR + t, zone_s=2 * HOUR),
            entry("b.csv", "elapsed", t, start=dt.datetime(2031, 3, 14, 23, 30, tzinfo=zone)),
        ]
    )
    for one in solved:
        assert one.utc_s is not None
        assert one.utc_s[0] == START
        assert (one.certain, one.clock.zone_s, one.findings) == (True, 2 * HOUR, ())


@pytest.mark.parametrize("zone_h", [0, 2, -7, 12, 5.75, -3.5])
@pytest.mark.parametrize("error_s", [0, 70, -70])
def test_zone_by_position(zone_h: float, error_s: float) -> None:
    t, _ = flight()
    local = START + zone_h * HOUR + error_s + t
    solved = solve_times([entry("display.csv", "local", local, "latitude", "ground_speed"), receiver()])[0]
    assert solved.clock.zone_s == zone_h * HOUR
    assert codes(solved) == {"ZONE_FROM_COMPANION"}
    assert solved.utc_s is not None
    assert solved.utc_s[0] == pytest.approx(START + error_s)


def test_zone_passes_on_to_clocks_that_read_alike() -> None:
    t, _ = flight()
    zone = 12 * HOUR
    entries = [
        entry("discretes.csv", "elapsed", t[:-300] * 1.0, start=dt.datetime(2031, 3, 15, 9, 32)),
        entry("engine.csv", "local", START + zone + 61 + t),
        entry("display.csv", "local", START + zone + t, "latitude", "ground_speed"),
        receiver(),
    ]
    solved = solve_times(entries)
    assert [s.clock.zone_s for s in solved] == [zone, zone, zone, 0.0]
    assert [codes(s) for s in solved] == [{"ZONE_FROM_COMPANION"}] * 3 + [set()]
    assert all(s.certain for s in solved)


def test_engine_in_utc_beside_a_local_display() -> None:
    t, _ = flight()
    solved = solve_times(
        [
            entry("engine.csv", "local", START + 20 + t),
            entry("display.csv", "local", START + 2 * HOUR + t, zone_s=2 * HOUR),
            receiver(),
        ]
    )
    assert solved[0].clock.zone_s == 0.0
    assert codes(solved[0]) == {"ZONE_FROM_COMPANION"}


def test_local_date_is_a_day_ahead() -> None:
    # the southern-hemisphere sortie: 09:30 on the 15th at UTC+12 is 21:30 on the 14th
    t, _ = flight()
    (solved, _) = solve_times([entry("display.csv", "local", START + 12 * HOUR + t, "latitude"), receiver()])
    assert solved.utc_s is not None
    assert dt.datetime.fromtimestamp(solved.utc_s[0], dt.UTC).day == 14


def test_time_of_day_takes_date_and_zone() -> None:
    t, _ = flight()
    seconds = (START + 2 * HOUR) % 86400 + t  # 23:30, passes midnight, unrolled
    (solved, _) = solve_times([entry("display.csv", "time_of_day", seconds, "latitude", "ground_speed"), receiver()])
    assert codes(solved) == {"DATE_FROM_COMPANION", "ZONE_FROM_COMPANION"}
    assert solved.clock.zone_s == 2 * HOUR
    assert solved.utc_s is not None
    assert solved.utc_s[0] == pytest.approx(START)


def test_alone_it_is_asked_for() -> None:
    t, _ = flight()
    (solved,) = solve_times([entry("display.csv", "local", START + t)])
    assert (solved.certain, codes(solved)) == (False, {"TIME_ZONE_UNKNOWN"})
    assert "question" in solved.findings[0].facts
    assert solved.utc_s is not None and solved.utc_s[0] == START


def test_short_recordings_prove_no_zone() -> None:
    t, _ = flight()
    solved = solve_times([entry("c.csv", "local", START - 7 * HOUR + t[:5]), entry("a.csv", "utc", START + t[:5])])[0]
    assert not solved.certain
    assert solved.findings[0].facts["candidates"] == ["UTC-7"]


def test_profile_answers_the_zone() -> None:
    t, _ = flight()
    asked = Entry("engine.csv", RawTime("local", START - 6 * HOUR + t), {}, InstrumentProfile(zone="America/Denver"))
    (solved,) = solve_times([asked])
    assert solved.certain
    assert solved.utc_s is not None and solved.utc_s[0] == START


def test_day_and_month_by_companion() -> None:
    t, _ = flight(minutes=0.2)
    day = dt.datetime(2031, 3, 4, 9, 26, 40, tzinfo=dt.UTC).timestamp()
    swapped = dt.datetime(2031, 4, 3, 9, 26, 40, tzinfo=dt.UTC).timestamp()
    readings = (("dmy", RawTime("local", swapped + t)), ("mdy", RawTime("local", day + t)))
    unclear = Entry("recorder.csv", RawTime("none", np.full(len(t), np.nan)), {}, alternatives=readings)
    solved = solve_times([unclear, entry("gps.nmea", "utc", day + t)])[0]
    assert "DATE_ORDER_FROM_COMPANION" in codes(solved)
    assert solved.utc_s is not None and solved.utc_s[0] == day
    (alone,) = solve_times([unclear])
    assert alone.utc_s is None


def test_week_rollover_told_by_companion() -> None:
    t, _ = flight()
    old = Entry("gps.nmea", RawTime("utc", START - 1024 * 7 * 86400 + t), {})
    solved = solve_times([old, entry("display.csv", "local", START + 2 * HOUR + t, zone_s=2 * HOUR)])[0]
    assert codes(solved) == {"GPS_WEEK_ROLLOVER"}
    assert solved.utc_s is not None and solved.utc_s[0] == START


def test_counts_without_start_stay_elapsed() -> None:
    (solved,) = solve_times([entry("log.csv", "elapsed", np.arange(10.0))])
    assert (solved.clock.basis, solved.certain) == ("elapsed", False)
    assert solved.utc_s is not None and solved.utc_s[0] == 0.0


@pytest.mark.parametrize("late_s", [0, 400, 1100])
def test_counts_without_start_are_placed_by_what_both_recorded(late_s: int) -> None:
    _, values = flight()
    part = {name: column[late_s : late_s + 1500] for name, column in values.items()}
    log = Entry("log.csv", RawTime("elapsed", np.arange(1500.0)), columns(part, "ground_speed", "pressure_altitude"))
    solved = solve_times([log, receiver()])[0]
    assert codes(solved) == {"DATE_FROM_COMPANION"}
    assert solved.utc_s is not None
    assert solved.utc_s[0] == pytest.approx(START + late_s, abs=2.0)


def test_counts_that_fit_nowhere_are_not_placed() -> None:
    noise = np.random.default_rng(3).normal(50, 8, 1500)
    log = Entry("log.csv", RawTime("elapsed", np.arange(1500.0)), columns({"ground_speed": noise}))
    assert not solve_times([log, receiver()])[0].certain
