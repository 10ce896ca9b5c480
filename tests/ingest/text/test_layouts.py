"""Layouts of whole tables: units above the names, times of their own, one value a row, lists of channels, offsets.

Every input is made from known numbers; the expected values are those numbers.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.mapping import map_track
from trimshot.ingest.raw import RawFile, RawTrack
from trimshot.shared.settings import InstrumentProfile

Reader = Callable[..., RawFile]

COUNT = 40
START = calendar.timegm((2031, 3, 14, 9, 26, 40))  # 2031-03-14T09:26:40Z; day 73 of the year
AIRSPEED = [95.0 + 0.1 * (k % 7) for k in range(COUNT)]  # kt
ALTITUDE = [5000.0 - 3.0 * k for k in range(COUNT)]  # ft
SPEED = [1800.0 + k for k in range(COUNT)]  # rpm


def written(seconds: float, form: str = "%Y-%m-%dT%H:%M:%S") -> str:
    return dt.datetime.fromtimestamp(seconds, dt.UTC).strftime(form)


def columns(file: RawFile) -> dict[str, tuple[RawTrack, Any]]:
    return {column.header: (track, column.values) for track in file.tracks for column in track.columns}


def codes(file: RawFile) -> set[str]:
    return {finding.code for finding in file.findings}


@pytest.mark.parametrize("mark", ["#", ""])
def test_units_above_the_names(mark: str, read_text: Reader) -> None:
    rows = [f"{written(START + k)}Z, {AIRSPEED[k]:.1f}, {ALTITUDE[k]:.0f}, {SPEED[k]:.0f}" for k in range(COUNT)]
    units = f"{mark}yyyy-mm-ddThh:mm:ss, kt, ft baro, rpm"
    file = read_text("\n".join(["#recorder A, serial 17", units, "  Time, IAS, BaroAlt, E1 RPM", *rows, ""]))
    assert {c.header: c.unit for c in file.tracks[0].columns} == {"IAS": "kt", "BaroAlt": "ft baro", "E1 RPM": "rpm"}
    (found,) = [f for f in file.findings if f.code == "UNITS_ROW_FOUND"]
    assert found.where == "line 2" and "above" in found.text
    assert file.ledger["not_rows"] == {"header": 1, "units": 1, "preamble": 1, "blank": 0}
    mapped = map_track(file.tracks[0], "log.csv", None)
    np.testing.assert_allclose(mapped.columns["baro_altitude"].values, np.array(ALTITUDE) * 0.3048, rtol=1e-12)


@pytest.mark.parametrize(
    ("header", "stated", "hours"),
    [("UTCOfst", "+02:00", 2.0), ("Time zone", "UTC-5", -5.0), ("utc_offset", "-3.5", -3.5)],
)
def test_offset_from_utc_in_a_column(header: str, stated: str, hours: float, read_text: Reader) -> None:
    local = START + hours * 3600
    rows = [
        f"{written(local + k, '%Y-%m-%d')},{written(local + k, '%H:%M:%S')},{stated},{AIRSPEED[k]}"
        for k in range(COUNT)
    ]
    (track,) = read_text("\n".join([f"Date,Time,{header},IAS [kt]", *rows, ""])).tracks
    assert track.time.basis == "utc"
    np.testing.assert_array_equal(track.time.seconds, START + np.arange(COUNT))
    assert [c.header for c in track.columns] == ["IAS [kt]"]


def test_a_utc_clock_is_not_moved_by_an_offset_column(read_text: Reader) -> None:
    rows = [f"{written(START + k)},+02:00,{AIRSPEED[k]}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["UTC time,UTC offset,IAS [kt]", *rows, ""])).tracks
    np.testing.assert_array_equal(track.time.seconds, START + np.arange(COUNT))


def test_an_offset_that_changes_in_flight(read_text: Reader) -> None:
    # the clock was set from UTC+2 to UTC+1 at row 20: its stamps go back an hour, time does not
    hours = [2 if k < 20 else 1 for k in range(COUNT)]
    rows = [f"{written(START + h * 3600 + k)},+0{h}:00,{AIRSPEED[k]}" for k, h in enumerate(hours)]
    (track,) = read_text("\n".join(["Time,UTC offset,IAS [kt]", *rows, ""])).tracks
    np.testing.assert_array_equal(track.time.seconds, START + np.arange(COUNT))


def paired(names: tuple[str, str]) -> str:
    """Airspeed at 10 Hz for 4 s, engine speed at 1 Hz for 40 s, side by side: row k of one is not row k of the other."""
    rows = [f"{0.1 * k:.1f},{AIRSPEED[k]:.1f},{float(k):.1f},{SPEED[k]:.0f}" for k in range(COUNT)]
    return "\n".join([f"{names[0]},IAS [kt],{names[1]},RPM", *rows, ""])


@pytest.mark.parametrize("names", [("Time [s]", "Time [s]"), ("t_ias [s]", "t_rpm [s]"), ("time", "time.1")])
def test_every_channel_at_its_own_time(names: tuple[str, str], read_text: Reader) -> None:
    file = read_text(paired(names))
    found = columns(file)
    fast, slow = found["IAS [kt]"][0], found["RPM"][0]
    np.testing.assert_allclose(fast.time.seconds, 0.1 * np.arange(COUNT), atol=1e-9)
    np.testing.assert_allclose(slow.time.seconds, np.arange(COUNT), atol=1e-9)
    np.testing.assert_array_equal(found["RPM"][1], SPEED)
    assert file.ledger["rows_out"] == COUNT  # lines of the file, not samples


def test_a_shorter_pair_ends_where_its_times_end(read_text: Reader) -> None:
    rows = [f"{0.5 * k},{AIRSPEED[k]:.1f}," + (f"{k},{SPEED[k]:.0f}" if k < 20 else ",") for k in range(COUNT)]
    found = columns(read_text("\n".join(["t_ias [s],IAS [kt],t_rpm [s],RPM", *rows, ""])))
    assert len(found["IAS [kt]"][1]) == COUNT
    np.testing.assert_array_equal(found["RPM"][1], SPEED[:20])


def test_two_clocks_of_one_row_are_no_pairs(read_text: Reader) -> None:
    # counter since power-up and satellite time of the same row, the second late by some milliseconds now and then
    late = [0.003 * (k % 5 == 0) for k in range(COUNT)]
    rows = [f"{1000 * k},{AIRSPEED[k]:.1f},{START + k + late[k]:.3f},{SPEED[k]:.0f}" for k in range(COUNT)]
    file = read_text("\n".join(["boot_ms,IAS [kt],gps_time_s,RPM", *rows, ""]))
    assert len(file.tracks) == 1
    assert {"IAS [kt]", "RPM"} <= set(columns(file))


def test_one_value_a_row(read_text: Reader) -> None:
    lines = []
    for k in range(COUNT):
        lines.append(f"{written(START + k)}Z,IAS,{AIRSPEED[k]:.1f},kt")
        lines.append(f"{written(START + k)}Z,Pressure altitude,{ALTITUDE[k]:.0f},ft")
        if k % 4 == 0:
            lines.append(f"{written(START + k)}Z,RPM,{SPEED[k]:.0f},rpm")
    file = read_text("\n".join(["time,channel,value,unit", *lines, ""]))
    found = columns(file)
    assert set(found) == {"IAS", "Pressure altitude", "RPM"} and len(file.tracks) == 2
    np.testing.assert_array_equal(found["IAS"][1], AIRSPEED)
    np.testing.assert_array_equal(found["RPM"][1], SPEED[::4])
    np.testing.assert_array_equal(found["RPM"][0].time.seconds, START + np.arange(0, COUNT, 4))
    assert found["RPM"][0].row[1] == 2 + 4 * 2 + 1 + 2  # its second row: after header, four seconds of two, one of RPM
    assert file.ledger["rows_out"] == len(lines)
    assert {c.header: c.unit for t in file.tracks for c in t.columns}["Pressure altitude"] == "ft"


def test_one_value_a_row_channel_after_channel_and_a_word_among_them(read_text: Reader) -> None:
    lines = [f"{k},IAS (kt),{AIRSPEED[k]:.1f}" for k in range(COUNT)]
    lines += [f"{k},RPM,{SPEED[k]:.0f}" for k in range(COUNT)]
    lines += [f"{k},gear,{'down' if k > 9 else 'up'}" for k in range(COUNT)]
    found = columns(read_text("\n".join(["seconds,signal,value", *lines, ""])))
    np.testing.assert_array_equal(found["RPM"][1], SPEED)
    assert found["gear"][1].tolist() == ["up"] * 10 + ["down"] * (COUNT - 10)
    np.testing.assert_array_equal(found["RPM"][0].time.seconds, np.arange(COUNT))


def test_a_table_with_a_mode_and_several_numbers_is_not_tall(read_text: Reader) -> None:
    rows = [f"{k},{'CRUISE' if k % 2 else 'IDLE'},{AIRSPEED[k]},{SPEED[k]}" for k in range(COUNT)]
    file = read_text("\n".join(["seconds,name,value,RPM", *rows, ""]))
    assert set(columns(file)) == {"name", "value", "RPM"}


@pytest.mark.parametrize("rate", ["Sample rate: 5 Hz", "Sampling interval = 200 ms", "scan period;0,2 s"])
def test_row_numbers_times_the_stated_rate_and_a_list_of_channels(rate: str, read_text: Reader) -> None:
    head = [
        "Data logger",
        "CH1;IAS;kt",
        "CH2;Pressure altitude;ft",
        rate,
        "Start: 2031-03-14 09:26:40 UTC",
        "Index;CH1;CH2",
    ]
    rows = [f"{k};{AIRSPEED[k]:.1f};{ALTITUDE[k]:.0f}" for k in range(COUNT)]
    (track,) = (file := read_text("\n".join([*head, *rows, ""]))).tracks
    np.testing.assert_allclose(track.time.seconds, 0.2 * np.arange(COUNT), atol=1e-9)
    assert [(c.header, c.unit) for c in track.columns] == [("IAS", "kt"), ("Pressure altitude", "ft")]
    assert "UNIT_INFERRED" not in codes(file)


DAYS = [f"{written(START + k, '%j:%H:%M:%S')}.250,{AIRSPEED[k]:.1f}" for k in range(COUNT)]


@pytest.mark.parametrize(
    ("name", "profile", "before"),
    [
        ("daq_2031.csv", None, ""),
        ("2031-03-14_daq.csv", None, ""),
        ("daq.csv", InstrumentProfile(year=2031), ""),
        ("daq.csv", None, "# recorded 2031-03-14\n"),
    ],
)
def test_day_of_year_stamps(name: str, profile: InstrumentProfile | None, before: str, read_text: Reader) -> None:
    (track,) = read_text(before + "\n".join(["IRIG,IAS [kt]", *DAYS, ""]), profile, name).tracks
    np.testing.assert_allclose(track.time.seconds, START + np.arange(COUNT) + 0.25, atol=1e-6)


def test_day_of_year_with_its_year_past_new_year(read_text: Reader) -> None:
    midnight = calendar.timegm((2032, 1, 1, 0, 0, 0))
    rows = [f"{written(midnight - 5 + k, '%Y:%j:%H:%M:%S')},{AIRSPEED[k]}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["time,IAS [kt]", *rows, ""])).tracks
    np.testing.assert_array_equal(track.time.seconds, midnight - 5 + np.arange(COUNT))


def test_day_of_year_past_new_year_of_a_leap_year(read_text: Reader) -> None:
    # 2032 has 366 days
    midnight = calendar.timegm((2033, 1, 1, 0, 0, 0))
    rows = [f"{written(midnight - 5 + k, '%j:%H:%M:%S')},{AIRSPEED[k]}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["time,IAS [kt]", *rows, ""]), None, "daq_2032.csv").tracks
    np.testing.assert_array_equal(track.time.seconds, midnight - 5 + np.arange(COUNT))


def test_day_of_year_without_a_year_is_a_question(read_text: Reader) -> None:
    file = read_text("\n".join(["IRIG,IAS [kt]", *DAYS, ""]), None, "daq.csv")
    (found,) = [f for f in file.findings if f.code == "DATE_MISSING"]
    assert found.facts["day_of_year"] == 73 and "year" in found.facts["question"]
    assert file.tracks[0].time.basis == "time_of_day"
    assert file.tracks[0].time.seconds[0] == pytest.approx(9 * 3600 + 26 * 60 + 40.25)


def test_pitch_without_a_unit_is_an_attitude(read_text: Reader) -> None:
    rows = [f"{k},{-20 + k},{30 - k}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["seconds,Pitch,Roll", *rows, ""])).tracks
    assert set(map_track(track, "log.csv", None).columns) == {"pitch", "bank"}


def test_degrees_times_ten_million_and_a_unit_with_a_stroke(read_text: Reader) -> None:
    rows = [f"{k},{470000000 + k},-{1234567 + k},{50 + 0.1 * k:.1f}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["seconds,lat_e7,lon_e7,airspeed_m/s", *rows, ""])).tracks
    mapped = map_track(track, "log.csv", None).columns
    assert mapped["latitude"].values[1] == pytest.approx(47.0000001, abs=1e-10)
    assert mapped["longitude"].values[0] == pytest.approx(-0.1234567, abs=1e-10)
    assert mapped["indicated_airspeed"].values[1] == pytest.approx(50.1)


def test_seconds_before_and_after_an_event(read_text: Reader) -> None:
    rows = [f"{k - 10},{AIRSPEED[k]},{SPEED[k]}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["time_s,IAS [kt],RPM", *rows, ""])).tracks
    np.testing.assert_array_equal(track.time.seconds, np.arange(COUNT) - 10.0)


def test_a_rising_temperature_is_no_time(read_text: Reader) -> None:
    rows = [f"{k - 10},{k},{AIRSPEED[k]}" for k in range(COUNT)]
    (track,) = read_text("\n".join(["OAT [C],seconds,IAS [kt]", *rows, ""])).tracks
    np.testing.assert_array_equal(track.time.seconds, np.arange(COUNT))


def test_days_since_1970(read_text: Reader) -> None:
    rows = [f"{(START + k) / 86400:.9f},{AIRSPEED[k]}" for k in range(COUNT)]
    file = read_text("\n".join(["utc_days,IAS [kt]", *rows, ""]))
    np.testing.assert_allclose(file.tracks[0].time.seconds, START + np.arange(COUNT), atol=1e-3)
    assert "EPOCH_UNIT_INFERRED" in codes(file) and "SERIAL_DAY_INFERRED" not in codes(file)
