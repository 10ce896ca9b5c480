"""An answer changes the stored sorties of its recorder and no others, stays in settings.toml, and is not asked again."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from trimshot.shared.errors import QuestionError, SettingsError
from trimshot.store.programme import Programme, create_programme
from trimshot.store.questions import Asked

COMMENTED = """# our own notes, kept
[aircraft]
name = "Example"   # behind a value

[instruments.motor]
files = "motor_*.txt"
zone = "UTC"
"""


def write(folder: Path, header: str, rows: list[str], name: str = "log.csv") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return folder


def zoneless(folder: Path, day: str, name: str = "log.csv") -> Path:
    """A recorder that states no zone: 120 rows from 09:26 on."""
    rows = [f"{day} 09:{26 + i // 60}:{i % 60:02d},{90 + i % 3},{5000 - 10 * i}" for i in range(120)]
    return write(folder, "time,ias_kt,pressure_alt_ft", rows, name)


def undated(folder: Path) -> Path:
    """A recorder whose 03/04/2031 is 3 April or 4 March."""
    rows = [f"03/04/2031,09:26:{i:02d}Z,{90 + i % 3},{5000 - 10 * i}" for i in range(60)]
    return write(folder, "date,time,ias_kt,pressure_alt_ft", rows)


def datumless(folder: Path) -> Path:
    """A recorder that writes an altitude and not which one."""
    rows = [f"2031-03-14T09:26:{i:02d}Z,{90 + i % 3},{5000 - 10 * i}" for i in range(60)]
    return write(folder, "utc_time,ias_kt,alt_ft", rows)


@pytest.fixture
def programme(tmp_path: Path) -> Programme:
    return create_programme(tmp_path / "programme")


def only(programme: Programme, kind: str) -> Asked:
    (asked,) = [one for one in programme.questions() if one.question.kind == kind]
    return asked


def start_of(programme: Programme, sortie: str) -> dt.datetime:
    frame = programme.sorties().set_index("sortie")
    moment: dt.datetime = frame.loc[sortie, "start_utc"].to_pydatetime()
    return moment


def test_a_zone_is_asked_once_and_its_answer_moves_every_sortie_of_the_recorder(
    programme: Programme, tmp_path: Path
) -> None:
    programme.add([zoneless(tmp_path / "one", "2031-03-14"), zoneless(tmp_path / "two", "2031-07-14")])
    programme.add([datumless(tmp_path / "other")])
    asked = only(programme, "zone")
    assert asked.sorties == ("one", "two") and asked.files == ("log.csv",)
    report = programme.answer(asked.question.id, "Europe/Paris")
    assert {one.sortie for one in report.changes} == {"one", "two"}
    # Paris is an hour ahead of UTC in winter and two in summer
    assert start_of(programme, "one") == dt.datetime(2031, 3, 14, 8, 26, tzinfo=dt.UTC)
    assert start_of(programme, "two") == dt.datetime(2031, 7, 14, 7, 26, tzinfo=dt.UTC)
    for change in report.changes:
        assert (change.before.rows, change.after.rows) == (120, 120)
        assert change.before.start_utc != change.after.start_utc
    assert [one for one in programme.questions() if one.question.kind == "zone"] == []
    programme.add([zoneless(tmp_path / "three", "2031-03-20")])
    assert [one for one in programme.questions() if one.question.kind == "zone"] == []
    assert start_of(programme, "three").hour == 8


def test_an_answer_leaves_the_other_sorties_current(programme: Programme, tmp_path: Path) -> None:
    programme.add([zoneless(tmp_path / "one", "2031-03-14"), datumless(tmp_path / "other")])
    added = programme.sorties().set_index("sortie")["added_utc"]
    programme.answer(only(programme, "zone").question.id, "UTC")
    sorties = programme.sorties().set_index("sortie")
    assert sorties["settings_current"].all()
    assert sorties.loc["other", "added_utc"] == added["other"]  # it was not read again
    assert sorties.loc["one", "added_utc"] > added["one"]


def test_a_datum_gives_performance_channels(programme: Programme, tmp_path: Path) -> None:
    programme.add([datumless(tmp_path / "alt")])
    report = programme.answer(only(programme, "altitude_datum").question.id, "pressure")
    (change,) = report.changes
    assert "pressure_altitude" in change.after.channels - change.before.channels
    assert "unnamed_altitude" in change.before.channels - change.after.channels
    assert programme.questions() == []


def test_a_sortie_that_waits_for_a_date_order_comes_in_with_the_answer(programme: Programme, tmp_path: Path) -> None:
    (report,) = programme.add([undated(tmp_path / "amb")]).sorties
    assert report.status == "failed" and programme.sorties().empty
    asked = only(programme, "date_order")
    assert (asked.sorties, asked.waiting) == ((), ("amb",))
    answered = programme.answer(asked.question.id, "dmy")
    assert [one.status for one in answered.report.sorties] == ["added"]
    assert start_of(programme, "amb").date() == dt.date(2031, 4, 3)
    assert programme.questions() == []


def test_a_waiting_sortie_that_was_moved_is_told(programme: Programme, tmp_path: Path) -> None:
    programme.add([undated(tmp_path / "amb")])
    shutil.rmtree(tmp_path / "amb")
    report = programme.answer(only(programme, "date_order").question.id, "mdy")
    assert report.missing == (str(tmp_path / "amb"),) and report.changes == ()
    programme.add([undated(tmp_path / "again")])
    assert start_of(programme, "again").date() == dt.date(2031, 3, 4)


def test_settings_keep_their_comments_and_order(programme: Programme, tmp_path: Path) -> None:
    path = programme.folder / "settings.toml"
    path.write_bytes(COMMENTED.replace("\n", "\r\n").encode())  # as an editor on Windows leaves it
    programme.add([zoneless(tmp_path / "one", "2031-03-14")])
    programme.answer(only(programme, "zone").question.id, "+02:00")
    text = path.read_bytes().decode()
    assert text.startswith(COMMENTED.replace("\n", "\r\n").rstrip())
    fingerprint = programme.ledger("one")["instrument"].iloc[0]
    profile = programme.settings.instruments[fingerprint]
    assert (profile.zone, profile.name) == ("+02:00", "recorder of log.csv")


def test_an_answer_goes_into_the_profile_the_user_made(programme: Programme, tmp_path: Path) -> None:
    path = programme.folder / "settings.toml"
    path.write_text('[instruments.panel]\nfiles = "log*.csv"   # the old one\nheading_reference = "true"\n')
    programme.add([zoneless(tmp_path / "one", "2031-03-14")])
    report = programme.answer(only(programme, "zone").question.id, "+02:00")
    assert report.profile == "panel" and list(programme.settings.instruments) == ["panel"]
    assert "# the old one" in path.read_text() and start_of(programme, "one").hour == 7


def test_answering_again_changes_the_answer(programme: Programme, tmp_path: Path) -> None:
    programme.add([zoneless(tmp_path / "one", "2031-03-14")])
    identity = only(programme, "zone").question.id
    programme.answer(identity, "+02:00")
    report = programme.answer(identity[:5], "+03:00")  # the beginning of an id is enough
    assert (report.former, start_of(programme, "one").hour) == ("+02:00", 6)
    (answered,) = programme.questions(answered=True)
    assert (answered.question.id, answered.answer) == (identity, "+03:00")


def test_an_answer_written_by_hand_is_pending_until_the_sortie_is_read_again(
    programme: Programme, tmp_path: Path
) -> None:
    programme.add([zoneless(tmp_path / "one", "2031-03-14")])
    path = programme.folder / "settings.toml"
    path.write_text('[instruments.panel]\nfiles = "log.csv"\nzone = "+02:00"\n')
    assert only(programme, "zone").pending
    programme.rebuild()
    assert programme.questions() == [] and start_of(programme, "one").hour == 7


def test_what_is_no_answer_changes_nothing(programme: Programme, tmp_path: Path) -> None:
    programme.add([datumless(tmp_path / "alt")])
    path = programme.folder / "settings.toml"
    before = path.read_bytes()
    identity = only(programme, "altitude_datum").question.id
    with pytest.raises(QuestionError, match="pressure, baro, msl, ellipsoid"):
        programme.answer(identity, "radar")
    with pytest.raises(QuestionError, match=identity):  # lists the ids there are
        programme.answer("ffffffff", "pressure")
    assert path.read_bytes() == before and not (programme.folder / "questions.json").exists()
    path.write_text("[instruments\n")
    with pytest.raises(SettingsError):
        programme.answer(identity, "pressure")


def test_two_files_of_one_layout_in_a_sortie_are_told_to_share_the_answer(programme: Programme, tmp_path: Path) -> None:
    folder = zoneless(tmp_path / "one", "2031-03-14", "left.csv")
    zoneless(folder, "2031-03-14", "right.csv")
    right = folder / "right.csv"
    right.write_text("".join(right.read_text().splitlines(keepends=True)[:-1]))  # a copy would be read once
    programme.add([folder])
    assert only(programme, "zone").same_layout == ("left.csv", "right.csv")


def test_questions_of_one_sortie(programme: Programme, tmp_path: Path) -> None:
    programme.add([zoneless(tmp_path / "one", "2031-03-14"), datumless(tmp_path / "alt"), undated(tmp_path / "amb")])
    kinds = {name: [q.question.kind for q in programme.questions(name)] for name in ("one", "alt", "amb")}
    assert kinds == {"one": ["zone"], "alt": ["altitude_datum"], "amb": ["date_order"]}


def test_the_cards_of_a_programme_ask_once_for_the_unit_of_their_speeds(programme: Programme, tmp_path: Path) -> None:
    for name, day in (("one", "2031-03-14"), ("two", "2031-03-15")):
        folder = write(tmp_path / name, "utc,ias_kt", [f"{day}T09:26:{k:02d}Z,{95 + k}" for k in range(30)])
        (folder / "card.csv").write_text(f"item,value\ndate,{day}\naircraft,X\npoint 1,glide {80 + len(name)} clean\n")
        programme.add([folder])
    asked = only(programme, "card_speed")
    assert asked.sorties == ("one", "two")
    programme.answer(asked.question.id, "kt")
    assert programme.questions() == []
    planned = programme.card("two")["planned_points"]
    assert isinstance(planned, Sequence)
    assert [point["airspeed_m_s"] for point in planned] == [pytest.approx(83 * 1852 / 3600)]
