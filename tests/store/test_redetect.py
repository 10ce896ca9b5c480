"""Detection anew from stored tracks: the same as a fresh add with those settings, whole or not at all."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from trimshot.shared.errors import SettingsError, UnknownSortieError
from trimshot.store import prepare as prepare_module
from trimshot.store.programme import Programme, create_programme

SORTIES = Path(__file__).parent.parent / "data" / "sorties"
HANDLING = "S250509-04-handling"
QUESTIONS = ("points", "events", "manoeuvres", "states", "phases", "statistics", "channels", "findings", "ledger")


def answers(programme: Programme) -> dict[str, pd.DataFrame]:
    """Every listing of the programme, its frame of samples too."""
    found = {name: getattr(programme, name)() for name in QUESTIONS}
    found["refused"] = programme.points(refused=True)
    found["samples"] = programme.samples(HANDLING)
    return found


def assert_same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> None:
    for name, frame in one.items():
        pd.testing.assert_frame_equal(frame, other[name], check_exact=True, obj=name)


def write_settings(programme: Programme, text: str) -> None:
    (programme.folder / "settings.toml").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """The sortie added once; each test works on its own copy."""
    programme = create_programme(tmp_path_factory.mktemp("redetect") / "made")
    assert programme.add([SORTIES / f"{HANDLING}.zip"]).count("added") == 1
    return programme


@pytest.fixture
def programme(made: Programme, tmp_path: Path) -> Programme:
    shutil.copytree(made.folder, tmp_path / "p")
    return Programme(tmp_path / "p")


def fresh(tmp_path: Path, settings: str) -> Programme:
    made = create_programme(tmp_path / "fresh")
    write_settings(made, settings)
    assert made.add([SORTIES / f"{HANDLING}.zip"]).count("added") == 1
    return made


def test_again_changes_nothing(programme: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    before = answers(programme)
    card, row = programme.card(HANDLING), programme.sorties().drop(columns="added_utc")
    # the recorders' files are not read: reading would fail
    monkeypatch.setattr(prepare_module, "read_unchecked", None)
    for _ in range(2):
        assert programme.redetect().count("replaced") == 1
    assert_same(before, answers(programme))
    assert programme.card(HANDLING) == card
    pd.testing.assert_frame_equal(programme.sorties().drop(columns="added_utc"), row)


def test_a_preset_gives_what_a_fresh_add_with_it_gives(programme: Programme, tmp_path: Path) -> None:
    before = answers(programme)
    assert programme.redetect([HANDLING], criteria="part-60-descent").count("replaced") == 1
    changed = answers(programme)
    assert_same(answers(fresh(tmp_path, '[points]\npreset = "part-60-descent"\n')), changed)
    descending = changed["points"][changed["points"]["kind"].isin(["glide", "climb", "descent"])]
    lost = descending["geometric_climb_rate"].abs() * descending["duration_s"] / 0.3048
    assert (lost > 0.9 * 1000).all()  # table A2A 1.d.4: over 1000 ft, in pressure altitude
    assert not programme.sorties()["settings_current"].any()
    assert programme.redetect().count("replaced") == 1  # back to the settings
    assert_same(before, answers(programme))
    assert programme.sorties()["settings_current"].all()


def test_limits_added_to_the_settings_are_found(programme: Programme, tmp_path: Path) -> None:
    settings = '[aircraft]\nmaximum_load_factor = 2.5\n[[aircraft.flap_settings]]\nname = "full"\nangle = "40 deg"\n'
    write_settings(programme, settings)
    assert programme.redetect([HANDLING]).count("replaced") == 1
    (event,) = programme.events(HANDLING, "exceeded").to_dict("records")
    assert event["facts"]["limit"] == 2.5
    assert event["facts"]["peak"] == pytest.approx(2.9, abs=0.05)  # the simulation's wind-up turn aims at 2.9 g
    assert_same(answers(fresh(tmp_path, settings)), answers(programme))


def test_settings_the_reading_depends_on_ask_for_a_rebuild(programme: Programme) -> None:
    before = answers(programme)
    write_settings(programme, "[aircraft]\ntemperature_recovery_factor = 0.8\n")
    (report,) = programme.redetect().sorties
    assert report.status == "failed"
    assert "rebuild" in str(report.error)
    assert_same(before, answers(programme))
    assert programme.rebuild().count("failed") == 0
    assert programme.redetect().count("replaced") == 1


def test_an_unknown_sortie_or_preset_changes_nothing(programme: Programme) -> None:
    before = answers(programme)
    with pytest.raises(UnknownSortieError, match="nobody"):
        programme.redetect([*programme.sorties()["sortie"], "nobody"])
    with pytest.raises(SettingsError, match="part-36"):
        programme.redetect(criteria="part-35")
    assert_same(before, answers(programme))


def test_a_store_of_the_first_version_takes_manoeuvres(programme: Programme) -> None:
    """As it was before there were manoeuvres: opened, it has the table, and redetect asks for a rebuild."""
    from trimshot.store.connection import write_catalog
    from trimshot.store.schema import TABLES

    with write_catalog(programme.folder) as connection:
        for table in TABLES:
            if table.since > 1:
                connection.execute(f"DROP TABLE {table.name}")
            for column in table.columns:
                if column.since > 1 >= table.since:
                    connection.execute(f"ALTER TABLE {table.name} DROP COLUMN {column.name}")
        connection.execute("DELETE FROM store_version WHERE version > 1")
    assert len(programme.manoeuvres()) == 0
    assert programme.redetect().count("failed") == 1
    assert programme.rebuild().count("replaced") == 1
    assert len(programme.manoeuvres()) > 0
    assert programme.redetect().count("replaced") == 1
