"""A profile that belongs to no recorder of the programme is told by `check`: it would be silent otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from trimshot.store.check import check_programme
from trimshot.store.profiles import idle_profiles
from trimshot.store.programme import Programme, create_programme

PROFILES = """
[instruments.by_key_nobody_has]
zone = "UTC"
[instruments.by_pattern]
files = "LOG*"
zone = "UTC"
[instruments.misspelt_pattern]
files = "motr_*.txt"
[instruments.layout]
zone = "UTC"
"""


@pytest.fixture
def store(tmp_path: Path, made_up: Any) -> Programme:
    """A made-up sortie of one file, log.nmea, whose recorder's fingerprint is 'layout'; the profiles come afterwards."""
    programme = create_programme(tmp_path / "p")
    programme.add([made_up(tmp_path / "A")])
    with (programme.folder / "settings.toml").open("a") as stream:
        stream.write(PROFILES)
    return programme


def test_what_claims_nothing_is_named(store: Programme) -> None:
    assert idle_profiles(store.folder) == ["by_key_nobody_has", "misspelt_pattern"]
    report = check_programme(store.folder)
    assert report.faults == ()
    assert [note.split(" ")[0] for note in report.notes] == [
        "instruments.by_key_nobody_has",
        "instruments.misspelt_pattern",
    ]


def test_an_empty_programme_names_nothing(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "p")
    (programme.folder / "settings.toml").write_text(PROFILES)
    assert idle_profiles(programme.folder) == []


def test_broken_settings_are_told_as_such(store: Programme) -> None:
    (store.folder / "settings.toml").write_text("nonsense = 1")
    assert idle_profiles(store.folder) == []
