"""A recorder that shows another unit than in its earlier sorties is told, and nothing of it is altered."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from trimshot.store.programme import Programme, create_programme
from trimshot.store.report import SortieReport
from trimshot.store.unit_changes import Extent, suspect_unit

KNOT, FOOT = 1852 / 3600, 0.3048


def write_sortie(folder: Path, day: int, speed: float = 1.0, height: float = 1.0, oat: float | None = None) -> Path:
    """Ten minutes from one field: knots, feet and degC; speed and height: factors on the numbers written."""
    folder.mkdir()
    top = 2400 + 500 * (day % 3)
    lines = ["utc,ias_kt,pressure_alt_ft,oat_c"]
    for i in range(600):
        climb = max(0.0, math.sin(math.pi * i / 600))
        knots, feet = (100 + day) * climb + 3 * math.sin(i / 9), 640 + top * climb
        degrees = 21 - 0.00198 * feet + 0.2 * math.sin(i / 3.3)
        shown = degrees if oat is None else oat * degrees + 32
        stamp = f"2031-03-{day:02d}T09:{20 + i // 60:02d}:{i % 60:02d}Z"
        lines.append(f"{stamp},{knots * speed:.1f},{feet * height:.0f},{shown:.1f}")
    (folder / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, Path]:
    """A programme with three sound sorties of one recorder."""
    place = tmp_path_factory.mktemp("changes")
    programme = create_programme(place / "programme")
    report = programme.add([write_sortie(place / f"S{day}", day) for day in (1, 2, 3)])
    assert report.count("added") == 3
    assert not any(f.code == "UNIT_CHANGE_SUSPECTED" for one in report.sorties for f in one.findings)
    return programme, place


def suspected(report: SortieReport) -> dict[str, str]:
    """Channel -> the confusion told."""
    found = [f for f in report.findings if f.code == "UNIT_CHANGE_SUSPECTED"]
    return {str(f.facts["channel"]): str(f.facts["confusion"]) for f in found}


@pytest.mark.parametrize(
    ("change", "channel", "words"),
    [
        ({"speed": 1.852}, "indicated_airspeed", "kt stated, km/h written"),
        ({"height": 0.3048}, "pressure_altitude", "ft stated, m written"),
        ({"oat": 1.8}, "outside_air_temperature", "degC stated, degF written"),
    ],
)
def test_another_unit_is_told(
    flown: tuple[Programme, Path], change: dict[str, float], channel: str, words: str, tmp_path: Path
) -> None:
    programme, _ = flown
    day = {"indicated_airspeed": 11, "pressure_altitude": 12, "outside_air_temperature": 13}[channel]
    (report,) = programme.add([write_sortie(tmp_path / f"N{day}", day, **change)]).sorties
    try:
        assert suspected(report) == {channel: words}
        told = programme.findings(report.sortie)
        assert channel in str(told[told["code"] == "UNIT_CHANGE_SUSPECTED"]["text"].tolist())
    finally:
        programme.remove(report.sortie)


def test_a_usual_sortie_is_not_suspected(flown: tuple[Programme, Path], tmp_path: Path) -> None:
    (report,) = flown[0].add([write_sortie(tmp_path / "N20", 20)]).sorties
    assert suspected(report) == {}


def test_sorties_of_another_aircraft_tell_nothing(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "programme")

    def add(day: int, aircraft: str, speed: float) -> SortieReport:
        folder = write_sortie(tmp_path / f"S{day}", day, speed)
        (folder / "card.csv").write_text(
            f"item,value\naircraft,{aircraft}\npurpose,speeds\npilot,A. Pilot\n", encoding="utf-8"
        )
        return programme.add([folder]).sorties[0]

    for day in (1, 2, 3):
        add(day, "FIRST", 1.0)
    assert suspected(add(11, "SECOND", 1.852)) == {}
    told = add(12, "FIRST", 1.852)
    assert suspected(told) == {"indicated_airspeed": "kt stated, km/h written"}
    assert level_of(told) == "doubt"
    # who does not name the aircraft is not compared with those who do
    assert suspected(programme.add([write_sortie(tmp_path / "S13", 13, 1.852)]).sorties[0]) == {}


def test_of_unnamed_aircraft_less_is_said(flown: tuple[Programme, Path], tmp_path: Path) -> None:
    (report,) = flown[0].add([write_sortie(tmp_path / "N14", 14, 1.852)]).sorties
    try:
        assert suspected(report) == {"indicated_airspeed": "kt stated, km/h written"}
        assert level_of(report) == "note"
        (text,) = (f.text for f in report.findings if f.code == "UNIT_CHANGE_SUSPECTED")
        assert "another aircraft" in text
    finally:
        flown[0].remove(report.sortie)


def level_of(report: SortieReport) -> str:
    """The level of the only suspicion of a unit."""
    (level,) = (f.level for f in report.findings if f.code == "UNIT_CHANGE_SUSPECTED")
    return str(level)


def test_two_earlier_sorties_are_the_least() -> None:
    usual, shown = Extent(0.0, 50.0), Extent(0.0, 50.0 * 1.852)
    assert suspect_unit("indicated_airspeed", shown, [usual]) is None
    assert suspect_unit("indicated_airspeed", shown, [usual, usual]) is not None


def test_a_high_flight_is_no_change_of_unit() -> None:
    usual = [Extent(195.0, 700.0), Extent(195.0, 800.0)]
    assert suspect_unit("pressure_altitude", Extent(195.0, 750.0 / FOOT), usual) is None
    assert suspect_unit("pressure_altitude", Extent(195.0 / FOOT, 750.0 / FOOT), usual) is not None


def test_extremes_that_do_not_repeat_tell_nothing() -> None:
    usual = [Extent(0.0, 25 * KNOT), Extent(0.0, 50 * KNOT), Extent(0.0, 100 * KNOT)]
    assert suspect_unit("indicated_airspeed", Extent(0.0, 93 * KNOT), usual) is None
