"""Folder to Recording: the eleven sample sorties against their independent truth, and broken folders.

The sorties were flown in simulation; truth files hold the recorders' clock errors and a 1 Hz series
of true speeds. Tolerances: three stated standard deviations, plus half a stamp where stamps are coarse.
"""

from __future__ import annotations

import datetime as dt
import gzip
import json
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.sortie import read_sortie
from trimshot.shared.codes import CODES
from trimshot.shared.errors import InputError
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings
from trimshot.shared.vocabulary import meaning_of

SORTIES = Path(__file__).parents[1] / "data" / "sorties"
NAMES = sorted(path.stem for path in SORTIES.glob("*.zip"))
KNOT, FOOT = 1852 / 3600, 0.3048


@cache
def sortie(name: str) -> Recording:
    return read_sortie(SORTIES / f"{name}.zip", Settings())


def truth(name: str) -> dict[str, Any]:
    with gzip.open(SORTIES.parent / "truth" / f"{name}.json.gz", "rt", encoding="utf-8") as stream:
        loaded: dict[str, Any] = json.load(stream)
    return loaded


def true_clocks(name: str) -> dict[str, dict[str, Any]]:
    recorders = truth(name)["recorders"].values()
    return {clock["file"]: clock for recorder in recorders for clock in recorder.get("clock", [])}


def test_eleven_sorties_are_there() -> None:
    assert len(NAMES) == 11


@pytest.mark.parametrize("name", NAMES)
def test_every_recorder_is_read_and_placed(name: str) -> None:
    recording = sortie(name)
    assert recording.sortie_id == name
    sources = {s.file: s for t in recording.tracks for s in t.sources}
    clocks = true_clocks(name)
    assert set(sources) == set(clocks)
    for file, source in sources.items():
        assert source.clock.zone_s == clocks[file]["zone_h"] * 3600
    with zipfile.ZipFile(SORTIES / f"{name}.zip") as archive:
        assert {s.file for s in recording.sources} == set(archive.namelist())
    assert {f.code for f in recording.findings} <= set(CODES)
    assert not [f for f in recording.findings if f.level == "fault"]


@pytest.mark.parametrize("name", NAMES)
def test_rows_are_reconciled(name: str) -> None:
    recording = sortie(name)
    with zipfile.ZipFile(SORTIES / f"{name}.zip") as archive:
        for track in recording.tracks:
            for index, source in enumerate(track.sources):
                ledger = source.ledger
                kept = int(np.sum(track.source_index == index))
                assert kept == ledger["rows_out"]
                assert ledger["rows_in"] >= ledger["rows_out"]
                lines = archive.read(source.file).count(b"\n") + 1
                assert track.row[track.source_index == index].min() >= 1
                assert track.row[track.source_index == index].max() <= lines


@pytest.mark.parametrize("name", NAMES)
def test_arrays_are_whole(name: str) -> None:
    for track in sortie(name).tracks:
        count = len(track.time_s)
        assert bool(np.all(np.diff(track.time_s) >= 0))
        assert len(track.row) == len(track.source_index) == count
        for column in track.columns.values():
            assert column.values.shape == (count,)
            meaning = meaning_of(column.name)
            assert meaning is None or column.unit == meaning.unit
    assert sortie(name).track(sortie(name).main).time_s[0] < 1.0


@pytest.mark.parametrize("name", NAMES)
def test_clocks_are_as_good_as_they_say(name: str) -> None:
    for track in sortie(name).tracks:
        for index, source in enumerate(track.sources):
            clock, true = source.clock, true_clocks(name)[source.file]
            if clock.offset_uncertainty_s is None:
                assert clock.offset_s == 0
                continue
            stamp_s = 1.0 if track.name == "engine" else 0.25  # whole-second stamps are cut, not rounded
            offset = true["offset_s"] + sum(step["added_s"] for step in true["steps"])
            own = min(true["offset_s"], offset), max(true["offset_s"], offset)
            allowed = 3 * clock.offset_uncertainty_s + stamp_s
            assert own[0] - allowed <= clock.offset_s <= own[1] + allowed, (source.file, index)


@pytest.mark.parametrize("name", NAMES)
def test_the_display_agrees_with_the_truth(name: str) -> None:
    recording, series = sortie(name), truth(name)["series"]
    main = recording.track(recording.main)
    at = np.asarray(series["t"]) + series["t0"] - recording.start_utc.timestamp()
    flying = (np.asarray(series["airborne"]) > 0) & (at > main.time_s[0] + 5) & (at < main.time_s[-1] - 5)
    gaps = main.time_s[np.flatnonzero(np.diff(main.time_s) > 1.5)]
    for gap in gaps:
        flying &= np.abs(at - gap) > 30
    for channel, key, unit, median, spread in (
        ("indicated_airspeed", "kias", KNOT, 0.3, 2.0),
        ("calibrated_airspeed", "kcas", KNOT, 1.5, 3.0),  # the static source is up to 1.2 kt out, and no table is given
        ("true_airspeed", "ktas", KNOT, 2.0, 3.5),
    ):
        values = np.interp(at[flying], main.time_s, main.columns[channel].values) / unit
        difference = values - np.asarray(series[key])[flying]
        assert abs(np.median(difference)) < median, channel
        assert np.percentile(np.abs(difference), 95) < spread, channel
    height = np.interp(at[flying], main.time_s, main.columns["gnss_altitude"].values) / FOOT
    assert abs(np.median(height - np.asarray(series["h_geom_ft"])[flying])) < 60


@pytest.mark.parametrize("name", NAMES)
def test_every_column_of_the_sample_recorders_is_named(name: str) -> None:
    raw = {c.source_name for t in sortie(name).tracks for n, c in t.columns.items() if n.startswith("raw_")}
    assert raw <= {"nr"}  # a row counter
    assert not [f for f in sortie(name).findings if f.code == "UNIT_UNKNOWN" and "card" not in str(f.where)]


def test_power_cycle_is_one_track_with_two_clocks() -> None:
    recording = sortie("S250520-01-drag_survey")
    display = recording.track("display")
    assert [s.file for s in display.sources] == ["display_0078.csv", "display_0079.csv"]
    first, second = (s.clock.offset_s for s in display.sources)
    assert first - second == pytest.approx(0.3898 + 0.0038, abs=0.25)


def test_southern_sortie_starts_the_day_before() -> None:
    recording = sortie("T250603-01-drag_survey")
    assert recording.start_utc.date() == dt.date(2025, 6, 2)
    found = [f for f in recording.findings if f.code == "ZONE_FROM_COMPANION"]
    assert {f.where for f in found} == {"display_0381.csv", "discretes_088.csv", "motor_0459.txt"}
    assert all(f.facts["zone"] == "UTC+12" for f in found)


def test_card_and_mass() -> None:
    recording = sortie("S250507-02-patterns")
    assert recording.card.take_off_mass_kg == pytest.approx(2285 * 0.45359237)  # 1 lb = 0.45359237 kg
    mass = recording.track(recording.main).columns["mass"].values
    assert mass[0] == pytest.approx(2285 * 0.45359237, abs=3)
    assert 2 < mass[0] - mass[-1] < 40


# -- folders that are not as they should be -------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    target = tmp_path / "S250507"
    with zipfile.ZipFile(SORTIES / "S250507-02-patterns.zip") as archive:
        archive.extractall(target)
    return target


def test_one_bad_file_never_stops_the_folder(folder: Path) -> None:
    (folder / "notes.bin").write_bytes(bytes(range(256)) * 40)
    (folder / "empty.csv").write_bytes(b"")
    recording = read_sortie(folder, Settings())
    skipped = {f.where: f.code for f in recording.findings if f.level == "fault"}
    assert skipped == {"notes.bin": "FILE_SKIPPED", "empty.csv": "EMPTY_FILE"}
    assert {"notes.bin", "empty.csv"} <= {s.file for s in recording.sources}
    assert len(recording.tracks) == 5


def test_without_satellite_time_the_zone_stays_stated(folder: Path) -> None:
    for file in (*folder.glob("*.nmea"), *folder.glob("*.igc")):
        file.unlink()
    recording = read_sortie(folder, Settings())
    zones = {s.file: s.clock.zone_s for t in recording.tracks for s in t.sources}
    assert set(zones.values()) == {7200.0}  # the display states it, the others read alike


def test_engine_alone_asks_for_its_zone(folder: Path) -> None:
    for file in folder.iterdir():
        if not file.name.startswith("engine"):
            file.unlink()
    recording = read_sortie(folder, Settings())
    assert recording.main == "engine"
    assert [f.code for f in recording.findings].count("TIME_ZONE_UNKNOWN") == 1


def test_clocks_that_read_alike_stay_together_without_any_zone(folder: Path) -> None:
    for file in folder.iterdir():
        if not file.name.startswith(("engine", "discretes")):
            file.unlink()
    recording = read_sortie(folder, Settings())
    assert {t.name for t in recording.tracks} == {"engine", "discretes"}
    assert [f.code for f in recording.findings].count("TIME_ZONE_UNKNOWN") == 2


def test_counts_without_any_date_are_kept_and_asked_about(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t_s,ias_kt\n" + "".join(f"{n},{90 + n % 3}\n" for n in range(50)), encoding="utf-8")
    recording = read_sortie(log, Settings())
    assert recording.start_utc.year == 1970
    assert any("1970" in f.text and "question" in f.facts for f in recording.findings)


def test_single_file_and_relative_path(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    (file,) = folder.glob("display*.csv")
    recording = read_sortie(Path(file.name), Settings())
    assert recording.main == "display"
    assert recording.start_utc.date() == dt.date(2025, 5, 7)


def test_same_folder_same_recording(folder: Path) -> None:
    first, second = read_sortie(folder, Settings()), sortie("S250507-02-patterns")
    assert first.start_utc == second.start_utc
    assert [f.text for f in first.findings] == [f.text for f in second.findings]
    for one, other in zip(first.tracks, second.tracks, strict=True):
        np.testing.assert_array_equal(one.time_s, other.time_s)
        for name in one.columns:
            np.testing.assert_array_equal(one.columns[name].values, other.columns[name].values)


def test_yesterdays_log_left_in_the_folder(folder: Path) -> None:
    with zipfile.ZipFile(SORTIES / "S250506-01-drag_survey.zip") as archive:
        (old,) = [name for name in archive.namelist() if name.startswith("display")]
        archive.extract(old, folder)
    recording = read_sortie(folder, Settings())
    (found,) = [f for f in recording.findings if f.code == "NOT_TOGETHER"]
    assert found.where == old
    assert recording.start_utc.date() == dt.date(2025, 5, 7)
    assert recording.track(recording.main).time_s[0] < 1.0


def test_nothing_usable_names_every_file(tmp_path: Path) -> None:
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "a.bin").write_bytes(b"\x00\x01\x02" * 1000)
    (bad / "b.csv").write_text("")
    with pytest.raises(InputError) as caught:
        read_sortie(bad, Settings())
    assert "a.bin" in str(caught.value)
    assert "b.csv" in str(caught.value)


def test_empty_folder(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(InputError, match="no files"):
        read_sortie(empty, Settings())


def test_card_only(folder: Path) -> None:
    for file in folder.iterdir():
        if not file.name.startswith("card"):
            file.unlink()
    with pytest.raises(InputError, match="card"):
        read_sortie(folder, Settings())


def test_truncated_everything(folder: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut"
    cut.mkdir()
    for file in folder.iterdir():
        (cut / file.name).write_bytes(file.read_bytes()[: file.stat().st_size // 2 + 3])
    recording = read_sortie(cut, Settings())
    assert recording.main == "display"


def test_copies_of_a_recorder_stay_apart(folder: Path) -> None:
    (file,) = folder.glob("display*.csv")
    (folder / "display_copy.csv").write_bytes(b"".join(file.read_bytes().splitlines(keepends=True)[:-1]))
    recording = read_sortie(folder, Settings())
    assert [t.name for t in recording.tracks if t.name.startswith("display")] == ["display", "display_2"]


def test_copies_of_a_file_are_read_once(tmp_path: Path) -> None:
    rows = "".join(f"2031-03-14T09:26:{k:02d}Z,{95 + k},{5000 - k}\n" for k in range(30))
    text = "utc,ias_kt,pressure_alt_ft\n" + rows
    for name in ("log.csv", "log (1).csv"):
        (tmp_path / name).write_text(text)
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        archive.writestr("card/log.csv", text)
    (tmp_path / "other.csv").write_text(text.replace("5000", "5001"))
    recording = read_sortie(tmp_path, Settings())
    copies = {f.where for f in recording.findings if f.code == "DUPLICATE_FILE"}
    assert copies == {"log (1).csv", "all.zip/card/log.csv"}
    assert {s.file for t in recording.tracks for s in t.sources} == {"log.csv", "other.csv"}


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("a.jpg", b"\xff\xd8\xff\xe0" + bytes(100), "JPEG picture"),
        ("plan.pdf", b"%PDF-1.7\n", "PDF document"),
        ("clip.mp4", b"\0\0\0\x18ftypmp42" + bytes(50), "film"),
        ("report.docx", b"PK\x03\x04" + bytes(50), "text document"),
    ],
)
def test_a_picture_in_the_folder_is_no_fault(name: str, content: bytes, what: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(content)
    rows = "".join(f"2031-03-14T09:26:{k:02d}Z,{95 + k},{5000 - k}\n" for k in range(30))
    (tmp_path / "log.csv").write_text("utc,ias_kt,pressure_alt_ft\n" + rows)
    (found,) = [f for f in read_sortie(tmp_path, Settings()).findings if f.where == name]
    assert (found.code, found.level) == ("NOT_A_LOG", "note") and what in found.text
