"""The programme's folder: made, found, refused; its settings template."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.small_sorties import write_sortie
from trimshot.shared.errors import ChannelError, NoProgrammeError, StoreError, UnknownSortieError
from trimshot.shared.settings import (
    DISPLAY_DEFAULTS,
    Aircraft,
    FlapSetting,
    InstrumentProfile,
    PointCriteria,
    PositionError,
    Settings,
    parse_settings,
)
from trimshot.store.programme import create_programme, find_programme, open_programme
from trimshot.store.template import settings_text


def uncommented() -> str:
    return "\n".join(re.sub(r'^#(?=[\["\w])', "", line) for line in settings_text().splitlines())


def test_the_template_as_delivered_changes_no_setting() -> None:
    assert parse_settings(settings_text(), "template") == Settings()


def test_the_template_with_its_examples_uncommented_is_valid() -> None:
    settings = parse_settings(uncommented(), "template")
    # 2550 lb: 1 lb = 0.45359237 kg exactly (international yard and pound agreement, 1959)
    assert settings.aircraft.mass == pytest.approx(2550 * 0.45359237, rel=1e-12)
    assert [one.name for one in settings.aircraft.flap_settings] == ["up", "half", "full"]


def test_the_template_names_every_key_there_is() -> None:
    raw = tomllib.loads(uncommented())
    profile = next(iter(raw["instruments"].values()))

    def keys(tables: Any) -> set[str]:
        return {key for table in tables for key in table}

    assert set(raw) == set(Settings.model_fields)
    assert keys([raw["aircraft"]]) == set(Aircraft.model_fields)
    assert keys(raw["aircraft"]["flap_settings"]) == set(FlapSetting.model_fields)
    assert keys(raw["aircraft"]["position_error"]) == set(PositionError.model_fields)
    assert keys([raw["points"]]) == set(PointCriteria.model_fields)
    assert keys([profile]) == set(InstrumentProfile.model_fields)
    assert keys([raw["display"]]) == set(DISPLAY_DEFAULTS)


def test_the_template_states_the_defaults_of_points_and_display() -> None:
    settings = parse_settings(uncommented(), "template")
    for key, default in PointCriteria().model_dump().items():
        wanted = default if isinstance(default, str) else pytest.approx(default, rel=1e-9)
        assert getattr(settings.points, key) == wanted, key
    assert settings.display == DISPLAY_DEFAULTS


def test_a_programme_is_made_and_found_from_below(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = create_programme(tmp_path / "flights")
    assert (tmp_path / "flights" / "settings.toml").is_file()
    below = tmp_path / "flights" / "some" / "folder"
    below.mkdir(parents=True)
    monkeypatch.chdir(below)
    assert open_programme().folder == made.folder.resolve()
    assert open_programme(tmp_path / "flights").settings == Settings()


def test_a_folder_with_other_files_may_become_a_programme(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    create_programme(tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("name", ["settings.toml", "programme.duckdb", "sorties"])
def test_what_is_there_is_not_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(StoreError, match="already a programme"):
        create_programme(tmp_path)
    assert (tmp_path / name).read_text() == "mine"


@pytest.mark.parametrize("left", ["empty", "catalog"])
def test_what_an_ended_run_has_left_is_taken_up(tmp_path: Path, left: str) -> None:
    folder = tmp_path / "p"
    (folder / ".new").mkdir(parents=True)
    (folder / ".new" / "programme.duckdb").write_bytes(b"half")
    (folder / "sorties").mkdir()
    if left == "catalog":
        create_programme(tmp_path / "other").folder.joinpath("programme.duckdb").rename(folder / "programme.duckdb")
    with pytest.raises(NoProgrammeError):
        open_programme(folder)
    assert len(create_programme(folder).sorties()) == 0
    assert not (folder / ".new").exists()


def test_a_catalog_with_sorties_is_not_taken_for_an_ended_run(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "p")
    programme.add([write_sortie(tmp_path / "S1", 1, rows=90)])
    (programme.folder / "settings.toml").unlink()
    shutil.rmtree(programme.folder / "sorties")
    with pytest.raises(StoreError, match="already a programme"):
        create_programme(programme.folder)


def test_a_file_is_no_programme(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError):
        create_programme(tmp_path / "file")


def test_no_programme_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(NoProgrammeError, match="trimshot new"):
        open_programme()
    with pytest.raises(NoProgrammeError, match="trimshot new"):
        find_programme(tmp_path)


def test_every_question_answers_for_an_empty_programme(tmp_path: Path) -> None:
    empty = create_programme(tmp_path / "p")
    for name in ("sorties", "channels", "points", "statistics", "events", "findings", "states", "phases", "ledger"):
        assert len(getattr(empty, name)()) == 0, name
    answer = empty.find("calibrated_airspeed > kt(95)")
    assert (len(answer.frame), answer.considered, dict(answer.left_out)) == (0, (), {})


def test_questions_and_their_columns(tmp_path: Path, made_up: Any) -> None:
    logs = tmp_path / "logs"
    made_up(logs / "A", seed=2)
    made_up(logs / "B", seed=1, no_engine=True)
    store = create_programme(tmp_path / "p")
    assert store.add([logs]).count("added") == 2
    # B flew a day before A: order is that of time, not of names
    assert list(store.sorties()["sortie"]) == ["B", "A"]
    points = store.points("A")
    assert list(points["start_s"]) == [5.0, 30.0] and points["accepted"].all()
    assert points["calibrated_airspeed"].tolist() == [48.9, 48.9]
    assert points["calibrated_airspeed_error"].tolist() == [0.03, 0.03]
    assert points.attrs["units"]["calibrated_airspeed"] == "m/s"
    assert str(points["start_utc"].iloc[0]) == "2025-05-08 09:00:05+00:00"
    both = store.points("A", refused=True)
    assert [row["criterion"] for row in both[~both["accepted"]]["reasons"].iloc[0]] == ["trend"]
    assert len(store.points(config={"gear": "up"})) == 0
    assert len(store.points(config={"gear": "down", "propulsion": "windmilling"}, kind="glide")) == 4
    events = store.events("B")
    assert list(events["kind"]) == ["rpm_command", "flap_change"]
    assert (events["before"].iloc[1], events["after"].iloc[0]) == ("up", 41.0)
    assert len(store.events(kind="flap_change")) == 2
    assert store.findings("A")["facts"].iloc[1] == {"nan": None}
    assert store.card("A")["aircraft"] == "made up"
    assert store.ledger("A")["offset_uncertainty_s"].tolist() == [0.05]
    assert set(store.states("A", "gear")["value"]) == {"up", "down"}
    assert store.sorties()["settings_current"].all()


def test_samples_and_tracks(tmp_path: Path, made_up: Any) -> None:
    store = create_programme(tmp_path / "p")
    store.add([made_up(tmp_path / "logs" / "A", seed=2, gap=True)])
    frame = store.samples("A", ["vertical_speed"], start=29.0, stop=61.0)
    assert list(frame.columns) == ["time_utc", "t", "gap", "vertical_speed"]
    # 300 rows of 0.1 s, a gap of 30 s, the rest: rows of 29.0..29.9 and of 60.0..60.9
    assert len(frame) == 20 and frame["gap"].tolist() == [0] * 10 + [1] * 10
    by_clock = store.samples("A", ["vertical_speed"], start=frame["time_utc"][0], stop=frame["time_utc"][10])
    assert len(by_clock) == 10
    engine = store.track("A", "engine ../' <b>")
    assert (engine["engine_speed"] == 40.0).all() and engine.attrs["units"]["engine_speed"] == "1/s"
    with pytest.raises(ChannelError, match="vertical_speed"):
        store.samples("A", ["nonsense"])
    with pytest.raises(ChannelError, match="display"):
        store.track("A", "nonsense")


@pytest.mark.parametrize("name", ["../../etc", "A'; DROP TABLE sortie; --", "<b>", ""])
def test_hostile_names_are_unknown_sorties_and_change_nothing(tmp_path: Path, made_up: Any, name: str) -> None:
    store = create_programme(tmp_path / "p")
    store.add([made_up(tmp_path / "logs" / "A")])
    for ask in (store.points, store.samples, store.card, store.events, store.remove):
        with pytest.raises(UnknownSortieError):
            ask(name)
    with pytest.raises(UnknownSortieError):
        store.find("gear = 'down'", sortie=name)
    assert len(store.points(config={"gear": name})) == 0
    assert len(store.sorties()) == 1


def test_hostile_words_are_kept_as_they_are(tmp_path: Path, made_up: Any) -> None:
    store = create_programme(tmp_path / "p")
    store.add([made_up(tmp_path / "logs" / "A'; DROP TABLE sortie -- <b>")])
    assert store.sorties()["sortie"].tolist() == ["A---DROP-TABLE-sortie-----b"]
    name = store.sorties()["sortie"][0]
    assert store.card(name)["notes"] == ["<b>'; DROP TABLE sortie; --"]
    assert "raw_x'y" in set(store.channels(name)["channel"])
    assert store.findings(name)["text"].tolist()[1] == "a gap; 'quoted' <i>"
    files = [path.relative_to(store.folder) for path in (store.folder / "sorties").rglob("*")]
    assert all(re.fullmatch(r"[A-Za-z0-9._/-]+", path.as_posix()) for path in files)


def test_the_store_does_not_lean_on_its_own_file_names(tmp_path: Path, made_up: Any) -> None:
    store = create_programme(tmp_path / "p with 'quotes' & blanks")
    store.add([made_up(tmp_path / "logs" / "A")])
    assert len(store.find("gear = 'down'").frame) > 0
    assert len(store.samples("A")) == 600
