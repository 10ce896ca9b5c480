"""Clocks through the whole reading of a folder: files written here, every clock error known by construction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path

import h5py
import numpy as np
import pytest

from trimshot.ingest.sortie import read_sortie
from trimshot.shared.frame import frame_columns
from trimshot.shared.recording import Floats, Recording, Source
from trimshot.shared.settings import InstrumentProfile, Settings

START = dt.datetime(2031, 5, 1, 9, 0, tzinfo=dt.UTC)
LENGTH_S = 1200
FIXES = ("lat_deg", "lon_deg", "gs_kt", "track_deg")
AIR = ("ias_kt", "pressure_alt_ft", "rpm")
DECIMALS = {"lat_deg": 7, "lon_deg": 7}


def motion(time_s: Floats) -> dict[str, Floats]:
    """A flight that never repeats itself, at the given seconds: position by integrating the speed at 20 Hz."""
    fine = np.arange(-60.0, LENGTH_S + 60.0, 0.05)
    speed = 50 + 4 * np.sin(fine / 37.0) + 3 * np.sin(fine / 11.3)
    course = 0.9 * np.sin(fine / 61.0) + 0.7 * np.sin(fine / 23.0)
    north, east = np.cumsum(speed * np.cos(course)) * 0.05, np.cumsum(speed * np.sin(course)) * 0.05
    everything = {
        "lat_deg": 46 + north / 111195.0,
        "lon_deg": 14 + east / (111195.0 * np.cos(np.radians(46.0))),
        "gs_kt": speed * 3600 / 1852,
        "track_deg": np.degrees(course) % 360,
        "ias_kt": (46 + 4 * np.sin(fine / 29.0) + 2 * np.sin(fine / 13.0)) * 3600 / 1852,
        "pressure_alt_ft": 5000 + 900 * np.sin(fine / 90.0),
        "rpm": 2300 + 150 * np.sin(fine / 19.0) + 90 * np.sin(fine / 47.0),
    }
    return {name: np.asarray(np.interp(time_s, fine, values)) for name, values in everything.items()}


def write_log(path: Path, stamps: list[str], columns: Mapping[str, Floats]) -> None:
    lines = [",".join(["time", *columns])]
    for k, stamp in enumerate(stamps):
        lines.append(",".join([stamp, *(f"{v[k]:.{DECIMALS.get(n, 2)}f}" for n, v in columns.items())]))
    path.write_text("\n".join(lines) + "\n")


def utc_stamps(reading_s: Floats, start: dt.datetime = START) -> list[str]:
    times = [start + dt.timedelta(seconds=float(s)) for s in reading_s]
    return [f"{t:%Y-%m-%dT%H:%M:%S}.{t.microsecond // 1000:03d}Z" for t in times]


def write_receiver(folder: Path) -> None:
    utc = np.arange(0.0, LENGTH_S)
    write_log(folder / "gnss.csv", utc_stamps(utc), {n: v for n, v in motion(utc).items() if n in FIXES})


def source(recording: Recording, file: str) -> Source:
    return next(s for s in recording.sources if s.file == file)


def test_one_file_with_position_engine_and_switches_is_one_track_with_one_offset(tmp_path: Path) -> None:
    write_receiver(tmp_path)
    utc = np.arange(0.0, LENGTH_S, 0.5)
    lever = (np.searchsorted([200.0, 500.0, 900.0], utc) % 2).astype(float)
    write_log(tmp_path / "all.csv", utc_stamps(utc + 4.2), {**motion(utc), "gear_lever": lever})
    recording = read_sortie(tmp_path, Settings())
    (track,) = [t for t in recording.tracks if t.sources[0].file == "all.csv"]
    assert {"latitude", "engine_speed", "gear_lever", "indicated_airspeed"} <= set(track.columns)
    clock = source(recording, "all.csv").clock
    assert clock.channel == "position" and clock.offset_s == pytest.approx(4.2, abs=0.05)
    true_s = START.timestamp() - recording.start_utc.timestamp() + utc
    assert np.abs(track.time_s - true_s).max() < 0.1


def test_tables_of_one_hdf5_file_share_the_offset_its_positions_tell(tmp_path: Path) -> None:
    write_receiver(tmp_path)
    with h5py.File(tmp_path / "log.h5", "w") as file:
        for group, names, rate_hz in (("nav", FIXES, 2), ("air", AIR[:2], 5), ("engine", AIR[2:], 1)):
            utc = np.arange(0.0, LENGTH_S, 1 / rate_hz)
            file[f"{group}/unix_time"] = START.timestamp() + utc + 6.5
            for name in names:
                file[f"{group}/{name}"] = motion(utc)[name]
    recording = read_sortie(tmp_path, Settings())
    tracks = [t for t in recording.tracks if t.sources[0].file == "log.h5"]
    assert len(tracks) == 3
    assert {t.sources[0].clock.offset_s for t in tracks} == {tracks[0].sources[0].clock.offset_s}
    assert tracks[0].sources[0].clock.offset_s == pytest.approx(6.5, abs=0.05)
    assert [f.code for f in recording.findings].count("CLOCK_OFFSET") == 1
    first = START.timestamp() - recording.start_utc.timestamp()
    assert all(abs(t.time_s[0] - first) < 0.1 for t in tracks)


def test_atomic_time_is_told_from_utc(tmp_path: Path) -> None:
    # TAI - UTC = 37 s since 2017 (IERS Bulletin C)
    write_receiver(tmp_path)
    utc = np.arange(0.0, LENGTH_S)
    write_log(tmp_path / "display.csv", utc_stamps(utc), {n: v for n, v in motion(utc).items() if n != "rpm"})
    write_log(tmp_path / "engine.csv", utc_stamps(utc + 37.0), {k: motion(utc)[k] for k in ("rpm", "ias_kt")})
    recording = read_sortie(tmp_path, Settings())
    (told,) = [f for f in recording.findings if f.code == "GPS_NOT_UTC"]
    assert told.facts["offset_s"] == 37 and told.where == "engine.csv"
    assert source(recording, "engine.csv").clock.offset_s == pytest.approx(37.0, abs=0.3)


@pytest.mark.parametrize("season", ["spring", "autumn"])
def test_summer_time_that_changes_in_flight(season: str, tmp_path: Path) -> None:
    # Vienna goes forward on 2031-03-30 and back on 2031-10-26, both at 01:00 UTC (tz database)
    day = dt.datetime(2031, 3, 30, 0, 50) if season == "spring" else dt.datetime(2031, 10, 26, 0, 50)
    utc = np.arange(0.0, LENGTH_S)
    before_h, after_h = (1, 2) if season == "spring" else (2, 1)
    hours = np.where(utc < 600.0, before_h, after_h)  # 01:00 UTC is ten minutes on
    civil = [day + dt.timedelta(seconds=float(s), hours=int(h)) for s, h in zip(utc, hours, strict=True)]
    stamps = [f"{t:%Y-%m-%d %H:%M:%S}" for t in civil]
    write_log(tmp_path / "display.csv", stamps, {n: motion(utc)[n] for n in AIR})
    settings = Settings(instruments={"display": InstrumentProfile(files=("display.csv",), zone="Europe/Vienna")})
    recording = read_sortie(tmp_path, settings)
    (track,) = recording.tracks
    assert recording.start_utc == day.replace(tzinfo=dt.UTC)
    np.testing.assert_allclose(track.time_s, utc, atol=1e-6)


def test_switches_written_on_change_hold_and_have_no_gaps(tmp_path: Path) -> None:
    utc = np.arange(0.0, LENGTH_S, 0.5)
    write_log(tmp_path / "display.csv", utc_stamps(utc), motion(utc))
    changes = np.array([0.0, 211.0, 217.5, 640.0, 646.8, 655.1, 1100.0])
    down, up = np.array([1.0, 0, 0, 0, 1, 0, 0]), np.array([0.0, 0, 1, 0, 0, 0, 1])
    write_log(tmp_path / "gear.csv", utc_stamps(changes), {"gear_down_locked": down, "gear_up_locked": up})
    recording = read_sortie(tmp_path, Settings())
    assert not [f for f in recording.findings if f.code == "GAP"]
    held = frame_columns(recording, ["gear_down_locked"])["gear_down_locked"]
    place = np.searchsorted(changes, utc, side="right") - 1
    np.testing.assert_array_equal(np.asarray(held, np.float64), down[place])
