"""Times counted from a beginning the file does not state: seconds of a satellite week, day numbers from 1904.

Expected days: 8 May 2025 is a Thursday, so its satellite week began on Sunday 4 May; GPS - UTC is 18 s since 2017 (IERS
Bulletin C 52). From 1 January 1904 to it are 44323 days: 121 years of 365 days, 31 leap days, 127 days.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from trimshot.ingest.dates import mark_of
from trimshot.ingest.questions import questions_in
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.recording import Recording
from trimshot.shared.settings import InstrumentProfile, Settings

NINE = dt.datetime(2025, 5, 8, 9, tzinfo=dt.UTC)
SECOND_OF_WEEK = 4 * 86400 + 9 * 3600 + 18
DAY_FROM_1904 = 121 * 365 + 31 + 127


def write_receiver(
    folder: Path, name: str = "gnss.csv", *, header: str = "TOW", first: float = SECOND_OF_WEEK, scale: float = 1.0
) -> None:
    rows = [f"{(first + k * 0.2) % 604800 * scale:.1f},{46.6 + k / 1e4:.5f},14.3,{120 + k % 5}" for k in range(300)]
    text = "\n".join([f"{header},Latitude [deg],Longitude [deg],GndSpd [kt]", *rows]) + "\n"
    (folder / name).write_text(text, encoding="utf-8")


def write_display(folder: Path, day: str = "2025-05-08") -> None:
    rows = [f"{day}T09:00:{k // 10:02d}.{k % 10},{90 + k % 7},{1500 + k}" for k in range(600)]
    (folder / "display.csv").write_text("\n".join(["UTC,IAS [kt],PressAlt [ft]", *rows]) + "\n", encoding="utf-8")


def begins(recording: Recording, kind: str) -> dt.datetime:
    track = next(track for track in recording.tracks if track.name == kind)
    return recording.start_utc + dt.timedelta(seconds=round(float(track.time_s[0]), 3))


def codes_of(recording: Recording) -> list[str]:
    return [finding.code for finding in recording.findings]


@pytest.mark.parametrize(("header", "scale"), [("TOW", 1.0), ("iTOW [ms]", 1000.0), ("Seconds of week", 1.0)])
def test_another_recorder_tells_the_week(tmp_path: Path, header: str, scale: float) -> None:
    write_receiver(tmp_path, header=header, scale=scale)
    write_display(tmp_path)
    recording = read_sortie(tmp_path, Settings())
    assert begins(recording, "gnss") == NINE
    assert "DATE_FROM_COMPANION" in codes_of(recording)


def test_the_name_of_the_file_tells_the_week(tmp_path: Path) -> None:
    write_receiver(tmp_path, "gnss_2025-05-08.csv")
    recording = read_sortie(tmp_path, Settings())
    assert begins(recording, "gnss") == NINE
    assert "DATE_FROM_FILE_NAME" in codes_of(recording)


def test_a_date_of_another_weekday_tells_nothing(tmp_path: Path) -> None:
    write_receiver(tmp_path)
    write_display(tmp_path, "2025-05-11")
    recording = read_sortie(tmp_path, Settings())
    assert [track.name for track in recording.tracks] == ["display"]
    assert "CLOCK_UNRESOLVED" in codes_of(recording)


def test_nobody_tells_the_week_and_the_user_does(tmp_path: Path) -> None:
    write_receiver(tmp_path)
    asked = read_sortie(tmp_path, Settings())
    (question,) = [q for q in questions_in(asked.findings) if q.kind == "start"]
    mark = mark_of(asked.sources[0].sha256)
    assert question.key == ("dates", mark)
    for told in ("2025-05-08T08:55:00Z", "2025-05-08"):  # the day is enough: the seconds know the rest
        profile = InstrumentProfile(dates={mark: told})
        answered = read_sortie(tmp_path, Settings(instruments={question.instrument: profile}))
        assert begins(answered, "gnss") == NINE


def test_a_week_ends_in_the_air(tmp_path: Path) -> None:
    # the last second of Saturday 10 May 2025 on the GPS scale is 23:59:42 UTC
    write_receiver(tmp_path, "gnss_2025-05-10.csv", first=604800 - 30)
    recording = read_sortie(tmp_path, Settings())
    assert begins(recording, "gnss") == dt.datetime(2025, 5, 10, 23, 59, 12, tzinfo=dt.UTC)
    (track,) = recording.tracks
    assert float(track.time_s[-1] - track.time_s[0]) == pytest.approx(299 * 0.2, abs=1e-6)


def write_engine(folder: Path, name: str = "engine.csv", first_day: int = DAY_FROM_1904) -> None:
    rows = [f"{first_day + (9 * 3600 + k) / 86400:.8f},{2400 + k % 9},{24 + k % 3 / 10}" for k in range(100)]
    (folder / name).write_text("\n".join(["Date,RPM [rpm],MAP [inHg]", *rows]) + "\n", encoding="utf-8")


def test_day_numbers_from_1904_meet_the_others(tmp_path: Path) -> None:
    assert dt.date(2025, 5, 8) == dt.date(1904, 1, 1) + dt.timedelta(days=DAY_FROM_1904)
    write_engine(tmp_path)
    write_display(tmp_path)
    recording = read_sortie(tmp_path, Settings())
    assert begins(recording, "engine") == NINE
    told = [f for f in recording.findings if f.code == "SERIAL_DAY_INFERRED" and f.level == "doubt"]
    assert [f.facts["days"] for f in told] == [1462]


def test_day_numbers_from_1900_stay(tmp_path: Path) -> None:
    write_engine(tmp_path, first_day=DAY_FROM_1904 + 1462)
    write_display(tmp_path)
    recording = read_sortie(tmp_path, Settings())
    assert begins(recording, "engine") == NINE
    assert not [f for f in recording.findings if f.code == "SERIAL_DAY_INFERRED" and f.level == "doubt"]


def test_the_name_of_the_file_tells_from_1904(tmp_path: Path) -> None:
    write_engine(tmp_path, "engine_2025-05-08.csv")
    assert begins(read_sortie(tmp_path, Settings()), "engine") == NINE
