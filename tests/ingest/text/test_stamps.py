"""Stamps in every spelling against the standard library's own formatting, dates by evidence, zones, number times."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.ingest.text.dateorder import dated
from trimshot.ingest.text.preamble import read_preamble
from trimshot.ingest.text.stamps import read_stamps
from trimshot.shared.errors import ClockError, SettingsError
from trimshot.shared.settings import InstrumentProfile

FORMATS = [
    ("%Y-%m-%dT%H:%M:%S.%fZ", "dmy"),
    ("%Y-%m-%d %H:%M:%S", "dmy"),
    ("%Y/%m/%d %H:%M:%S.%f", "dmy"),
    ("%d.%m.%Y %H:%M:%S", "dmy"),
    ("%d/%m/%Y %H:%M:%S", "dmy"),
    ("%m/%d/%Y %H:%M:%S.%f", "mdy"),
    ("%m/%d/%Y %I:%M:%S %p", "mdy"),
    ("%d-%b-%Y %H:%M:%S", "dmy"),
    ("%b %d, %Y %H:%M:%S", "dmy"),
    ("%Y%m%dT%H%M%S", "dmy"),
    ("%Y%m%d %H%M%S.%f", "dmy"),
]
MOMENTS = st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2099, 12, 31))


@given(st.sampled_from(FORMATS), st.lists(MOMENTS, min_size=1, max_size=8))
def test_stamps_read_as_the_standard_library_wrote_them(form: tuple[str, str], moments: list[dt.datetime]) -> None:
    pattern, order = form
    stamps = read_stamps(pa.array([m.strftime(pattern) for m in moments]))
    assert not stamps.bad.any()
    seconds = dated(stamps, order) * 86400.0 + stamps.second_of_day
    for moment, second in zip(moments, seconds, strict=True):
        whole = moment if "%f" in pattern else moment.replace(microsecond=0)
        assert second == pytest.approx((whole - dt.datetime(1970, 1, 1)).total_seconds(), abs=1e-5)


@pytest.mark.parametrize(
    "text", ["", "hello", "25:00:00", "12:61:00", "2031-13-01 00:00:00", "2031-02-30 00:00:00", "40/40/2031 00:00:00"]
)
def test_impossible_stamps_are_refused(text: str) -> None:
    stamps = read_stamps(pa.array([text]))
    seconds = dated(stamps, "dmy") * 86400.0 + stamps.second_of_day
    assert stamps.bad[0] or np.isnan(seconds[0])


def _rows(stamps: list[str], header: str = "stamp,alt_ft") -> str:
    return header + "\n" + "".join(f"{s},{6000 - k}\n" for k, s in enumerate(stamps))


def _spell(pattern: str, start: dt.datetime, n: int = 40, step: float = 1.0) -> list[str]:
    return [(start + dt.timedelta(seconds=k * step)).strftime(pattern) for k in range(n)]


NOON = dt.datetime(2031, 3, 4, 12, 0, 0)


def test_date_in_file_name_settles_the_order(read_text: Any) -> None:
    raw = read_text(_rows(_spell("%m/%d/%Y %H:%M:%S", NOON)), name="2031-03-04_log.csv")
    assert raw.tracks[0].time.seconds[0] == (NOON - dt.datetime(1970, 1, 1)).total_seconds()
    assert raw.ledger["date_order"] == "mdy"


def test_rising_days_settle_the_order(read_text: Any) -> None:
    stamps = [s for day in (2, 3, 4) for s in _spell("%m/%d/%Y %H:%M:%S", NOON.replace(day=day), 5)]
    raw = read_text(_rows(stamps))
    assert raw.ledger["date_order"] == "mdy"
    assert "rise" in raw.ledger["evidence"]["date_order"]


def test_offsets_in_the_stamps_give_utc(read_text: Any) -> None:
    raw = read_text(_rows([s + "+02:00" for s in _spell("%Y-%m-%d %H:%M:%S", NOON)]))
    assert raw.tracks[0].time.basis == "utc"
    assert raw.tracks[0].time.seconds[0] == dt.datetime(2031, 3, 4, 10, tzinfo=dt.UTC).timestamp()


@pytest.mark.parametrize(
    ("header", "basis"),
    [("utc", "utc"), ("time GMT", "utc"), ("gps_time", "gps"), ("LocalTime", "local"), ("t", "local")],
)
def test_zone_word_in_the_header(read_text: Any, header: str, basis: str) -> None:
    raw = read_text(_rows(_spell("%Y-%m-%d %H:%M:%S", NOON), f"{header},alt_ft"))
    assert raw.tracks[0].time.basis == basis


@pytest.mark.parametrize(
    ("line", "start", "zone_s"),
    [
        ("# date 2025-05-06 zone UTC+2", None, 7200.0),
        ("started=03.06.2025 09:25:20 local", dt.datetime(2025, 6, 3, 9, 25, 20), None),
        ("; motor log 459 start 2025-06-03 09:26:30", dt.datetime(2025, 6, 3, 9, 26, 30), None),
        ("#power-up 2025-05-06T15:40:28 local", dt.datetime(2025, 5, 6, 15, 40, 28), None),
        ('"session 395","05/22/2025"', None, None),
        ("Start: 2025-05-06T15:40:28Z", dt.datetime(2025, 5, 6, 15, 40, 28), 0.0),
        ("zone -03:30", None, -12600.0),
        ("Recording began 2025/05/06 07:08:09 UTC", dt.datetime(2025, 5, 6, 7, 8, 9), 0.0),
    ],
)
def test_preamble_facts(line: str, start: dt.datetime | None, zone_s: float | None) -> None:
    facts = read_preamble([line], ",")
    assert facts.start == start
    assert facts.zone_s == zone_s
    if "2025" in line:
        assert facts.date is not None


def test_firmware_dates_are_no_start() -> None:
    facts = read_preamble(["firmware built 2019-01-02 10:11:12", "calibration due 2026-07-01"], ",")
    assert facts.start is None
    assert facts.date is None


def test_preamble_date_across_midnight_follows_the_start(read_text: Any) -> None:
    clock = _spell("%H:%M:%S", dt.datetime(2031, 3, 5, 0, 0, 2))
    raw = read_text("# start 2031-03-04 23:59:58 zone UTC+1\n" + _rows(clock, "time,alt_ft"))
    assert raw.tracks[0].time.seconds[0] == dt.datetime(2031, 3, 5, 0, 0, 2, tzinfo=dt.UTC).timestamp()
    assert raw.tracks[0].time.zone_s == 3600.0


def test_date_and_time_columns_with_the_date_late(read_text: Any) -> None:
    # the date column changes two rows after midnight
    start = dt.datetime(2031, 3, 14, 23, 59, 50)
    moments = [start + dt.timedelta(seconds=k) for k in range(30)]
    rows = [f"{(m - dt.timedelta(seconds=2)).strftime('%Y-%m-%d')},{m.strftime('%H:%M:%S')}" for m in moments]
    raw = read_text(_rows(rows, "DATE,TIME,alt_ft"))
    assert (np.diff(raw.tracks[0].time.seconds) == 1.0).all()
    assert "MIDNIGHT_ROLLOVER" in {f.code for f in raw.findings}


def test_hhmmss_numbers_with_a_date_column(read_text: Any) -> None:
    moments = _spell("%Y%m%d,%H%M%S", dt.datetime(2031, 3, 14, 9, 26, 40), 200)
    raw = read_text(_rows(moments, "date,time,alt_ft"))
    assert raw.tracks[0].time.seconds[-1] == dt.datetime(2031, 3, 14, 9, 29, 59, tzinfo=dt.UTC).timestamp()


def test_gps_week_and_seconds(read_text: Any) -> None:
    # IS-GPS-200: week 0 began 1980-01-06 00:00:00; 2025-05-06 is week 2365, day 2
    rows = "".join(f"2365,{2 * 86400 + k * 0.2:.1f},{k}\n" for k in range(30))
    raw = read_text("gps_week,gps_sec,alt_m\n" + rows)
    assert raw.tracks[0].time.basis == "gps"
    assert raw.tracks[0].time.seconds[0] == dt.datetime(2025, 5, 6, tzinfo=dt.UTC).timestamp()


@pytest.mark.parametrize(("name", "scale"), [("t_s", 1.0), ("ms", 1e-3), ("time [ms]", 1e-3), ("elapsed_us", 1e-6)])
def test_elapsed_counts(read_text: Any, name: str, scale: float) -> None:
    step = round(0.2 / scale, 6)
    rows = "".join(f"{k * step:g},{k}\n" if scale == 1 else f"{int(k * step)},{k}\n" for k in range(50))
    raw = read_text(f"# power-up 2025-05-06T15:40:28 local\n{name},alt_ft\n" + rows)
    time = raw.tracks[0].time
    assert time.basis == "elapsed"
    assert time.start == dt.datetime(2025, 5, 6, 15, 40, 28)
    np.testing.assert_allclose(time.seconds, np.arange(50) * 0.2, atol=1e-9)


def test_counter_wrap(read_text: Any) -> None:
    rows = "".join(f"{(60000 + k * 200) % 65536},{k}\n" for k in range(100))
    raw = read_text("ms,rpm\n" + rows)
    np.testing.assert_allclose(np.diff(raw.tracks[0].time.seconds), 0.2)
    assert next(f for f in raw.findings if f.code == "COUNTER_WRAP").where == "line 30"


def test_rounded_epoch_needs_an_answer(read_text: Any) -> None:
    raw = read_text("t,alt_ft\n" + "".join(f"1.93E+12,{k}\n" for k in range(50)))
    assert raw.tracks[0].time.basis == "none"
    assert next(f for f in raw.findings if f.code == "TIME_PRECISION_LOST").level == "fault"


def test_stamps_before_the_first_fix_are_rebuilt(read_text: Any) -> None:
    stamps = [""] * 5 + _spell("%Y-%m-%dT%H:%M:%SZ", NOON)
    raw = read_text(_rows(stamps, "utc,alt_ft"))
    assert (np.diff(raw.tracks[0].time.seconds) == 1.0).all()
    finding = next(f for f in raw.findings if f.code == "TIME_BEFORE_FIX")
    assert (finding.where, finding.count) == ("lines 2-6", 5)


def test_unreadable_stamps_drop_their_rows(read_text: Any) -> None:
    stamps = _spell("%Y-%m-%dT%H:%M:%SZ", NOON)
    stamps[7] = "2031-0#-04T12:00:07Z"
    raw = read_text(_rows(stamps, "utc,alt_ft"))
    assert len(raw.tracks[0].row) == 39
    assert raw.ledger["dropped_lines"] == [[9, "the time stamp cannot be read", "2031-0#-04T12:00:07Z,5993"]]


def test_24h_is_the_next_day(read_text: Any) -> None:
    stamps = ["2031-03-14 23:59:59", "2031-03-14 24:00:00", "2031-03-15 00:00:01"]
    raw = read_text(_rows(stamps))
    assert list(np.diff(raw.tracks[0].time.seconds)) == [1.0, 1.0]
    assert next(f for f in raw.findings if f.code == "TIME_24H").where == "line 3"


def test_no_time_is_an_error(read_text: Any) -> None:
    with pytest.raises(ClockError) as caught:
        read_text("alt_ft,ias_kt\n" + "".join(f"{6000 - k},{90 + k % 3}\n" for k in range(30)))
    assert caught.value.code == "NO_TIME_CHANNEL"


@pytest.mark.parametrize("name", ["Europe/Vienna", "America/Denver", "Australia/Lord_Howe", "Asia/Kolkata"])
@pytest.mark.parametrize("month", [1, 7])
def test_named_zone_gives_its_offset(read_text: Any, name: str, month: int) -> None:
    start = dt.datetime(2031, month, 14, 12)
    raw = read_text(_rows(_spell("%Y-%m-%d %H:%M:%S", start)), InstrumentProfile(zone=name))
    wanted = start.replace(tzinfo=ZoneInfo(name)).utcoffset()
    assert wanted is not None
    assert raw.tracks[0].time.zone_s == wanted.total_seconds()


@pytest.mark.parametrize(("hour", "back"), [(0, True), (0, False)])
def test_a_clock_that_follows_summer_time(read_text: Any, hour: int, back: bool) -> None:
    # Europe/Vienna 2031: summer time ends 26 October 01:00 UTC, begins 30 March 01:00 UTC (EU rule, last Sunday)
    zone = ZoneInfo("Europe/Vienna")
    start = (
        dt.datetime(2031, 10, 26, hour, 30, tzinfo=dt.UTC)
        if back
        else dt.datetime(2031, 3, 30, hour, 30, tzinfo=dt.UTC)
    )
    moments = [start + dt.timedelta(seconds=10 * k) for k in range(720)]
    stamps = [m.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S") for m in moments]
    raw = read_text(_rows(stamps), InstrumentProfile(zone="Europe/Vienna"))
    time = raw.tracks[0].time
    assert time.zone_s is not None
    np.testing.assert_allclose(time.seconds - time.zone_s, [m.timestamp() for m in moments])
    assert ("DST_FOLD" in {f.code for f in raw.findings}) == back


def test_unknown_zone_is_a_settings_error(read_text: Any) -> None:
    with pytest.raises(SettingsError, match="zone"):
        read_text(_rows(_spell("%Y-%m-%d %H:%M:%S", NOON)), InstrumentProfile(zone="Mars/Olympus"))
