"""Programmes made once for all tests: the embedded demo sorties, and the eleven simulated ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from trimshot.store.programme import Programme, create_programme

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "reports" / "demo_data"
SORTIES = Path(__file__).parent / "data" / "sorties"


@pytest.fixture(scope="session")
def demo_programme(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """Two demo sorties, one with recorded gear and flap switches and one without. Read only."""
    programme = create_programme(tmp_path_factory.mktemp("programmes") / "demo")
    (programme.folder / "settings.toml").write_bytes((DEMO / "settings.toml").read_bytes())
    report = programme.add([DEMO / "S250506-01-drag_survey.zip", DEMO / "S250508-03-speed_power.zip"])
    assert report.count("added") == 2
    return programme


@pytest.fixture(scope="session")
def eleven(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """All eleven simulated sorties of two invented aircraft, without any settings. Read only."""
    programme = create_programme(tmp_path_factory.mktemp("programmes") / "eleven")
    report = programme.add([SORTIES])
    assert report.count("added") == 11, [s.error for s in report.sorties if s.error]
    return programme
