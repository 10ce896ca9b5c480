"""Every reduction and every printed document on what programmes really look like: units, gaps, odd names, too little data.

Each is shown as table, JSON, CSV and page; nothing may be raised, unreadable, unescaped, or without its unit.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.commands.print import DOCUMENTS, context_of_document
from trimshot.reports.documents.cards import cards_context
from trimshot.reports.documents.debrief import debrief_context
from trimshot.reports.documents.handbook import handbook_context
from trimshot.reports.documents.press import press
from trimshot.reports.listing import csv_text, plain
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.page import render
from trimshot.reports.reductions.present import context_of, csv_records
from trimshot.reports.reductions.registry import REDUCTIONS
from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme, create_programme

DEMO = Path(__file__).parents[3] / "reports" / "demo_data"
NAMES = [one.name for one in REDUCTIONS]
HOSTILE = '=1+1 <script>alert(1)</script> & "q",;#panic("x") $x$'
FOLDER = '=2+2 <b>&"x", y;'
NEVER = re.compile(r"\b(safe|safely|cleared|approved)\b", re.IGNORECASE)
UNREADABLE = re.compile(r"\b(nan|NaN|inf|None|NaT)\b|Cell\(|Band\(|\d[eE][+-]\d{2}\b")
CUSTOMARY = re.compile(r"\d ?(?!ft \(15 m\))(kt|kt/s|fpm|ft|ft2|lb|nm|degF|inHg|in|usgal/h|mph)\b")
METRIC = """
[display]
speed = "km/h"
vertical_speed = "m/s"
altitude = "m"
length = "m"
mass = "kg"
area = "m2"
distance = "km"
arm = "m"
volume = "l"
volume_flow = "l/h"
manifold_pressure = "hPa"
"""
LIMITS = """
[aircraft]
name = "SALLOW-R1"
mass = "2500 lb"
never_exceed_speed = "180 kt"
gear_operating_speed = "120 kt"
gear_extended_speed = "130 kt"
stall_speed_clean = "60 kt"
stall_speed_landing = "52 kt"
maximum_engine_speed = "2700 rpm"
maximum_load_factor = 3.8
flap_settings = [{ name = "full", limit_speed = "95 kt" }, { name = "half", limit_speed = "110 kt" }]
position_error = [{ indicated = "80 kt", correction = "1.0 kt" }, { indicated = "140 kt", correction = "-0.5 kt" }]
"""


@pytest.fixture(scope="module")
def demo(demo_programme: Programme) -> Evidence:
    return gather_evidence(demo_programme)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """One sortie whose folder, aircraft, pilot and notes are words that markup, CSV and formulas would trip over."""
    folder = tmp_path_factory.mktemp("hostile") / FOLDER
    folder.mkdir()
    with zipfile.ZipFile(DEMO / "S250506-01-drag_survey.zip") as archive:
        for name in archive.namelist():
            if not name.startswith("card"):
                archive.extract(name, folder)
    words = HOSTILE.replace('"', '""')
    (folder / "card.csv").write_text(
        f'item,value\naircraft,"{words}"\npilot,"{words}"\npurpose,"{words}"\nnote,"{words}"\ntakeoff weight lb,2480\nfuel lb,300\ncg in,101\n'
        f'point 1,"glide 100.0 {words}"\n',
        encoding="utf-8",
    )
    programme = create_programme(tmp_path_factory.mktemp("programmes") / "hostile")
    report = programme.add([folder])
    assert report.count("added") == 1, report
    return programme


@pytest.fixture(scope="module")
def satellite_only(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """One sortie whose only file is a satellite receiver's."""
    folder = tmp_path_factory.mktemp("satellite") / "receiver alone"
    folder.mkdir()
    with zipfile.ZipFile(DEMO / "S250508-03-speed_power.zip") as archive:
        (name,) = [one for one in archive.namelist() if one.endswith(".nmea")]
        archive.extract(name, folder)
    programme = create_programme(tmp_path_factory.mktemp("programmes") / "satellite")
    assert programme.add([folder]).count("added") == 1
    return programme


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    return create_programme(tmp_path_factory.mktemp("programmes") / "empty")


def with_settings(evidence: Evidence, text: str) -> Evidence:
    return replace(evidence, settings=parse_settings(text, "settings.toml"))


def without(evidence: Evidence, *channels: str) -> Evidence:
    """The evidence with no value of these channels in any point."""
    gone = [name for name in evidence.points if any(name == one or name.startswith(f"{one}_") for one in channels)]
    return replace(evidence, points=evidence.points.assign(**dict.fromkeys(gone, float("nan"))))


def weightless(evidence: Evidence) -> Evidence:
    """No mass anywhere: no card's, none in the settings."""
    bare = without(with_settings(evidence, '[aircraft]\nname = "SALLOW-R1"'), "mass", "weight")
    return replace(bare, points=bare.points.assign(mass_from="nothing"))


def without_temperature(evidence: Evidence) -> Evidence:
    return without(
        evidence,
        "true_airspeed",
        "density_ratio",
        "density_altitude",
        "outside_air_temperature",
        "static_air_temperature",
    )


VARIANTS: dict[str, Callable[[Evidence], Evidence]] = {
    "metric": lambda evidence: with_settings(evidence, METRIC),
    "limits and calibration": lambda evidence: with_settings(evidence, LIMITS),
    "no mass": weightless,
    "no temperature": without_temperature,
    "no wing area": lambda evidence: with_settings(evidence, '[aircraft]\nname = "SALLOW-R1"\nmass = "2500 lb"'),
    "one sortie": lambda evidence: gather_evidence(evidence.programme, sorties=evidence.sorties[:1]),
    "one point": lambda evidence: replace(evidence, points=evidence.points.iloc[:1]),
}


def texts(value: Any) -> Iterator[str]:
    """Every text of plain data."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, one in value.items():
            if key not in ("strip", "pictures", "key", "settings_hash", "conditions"):
                yield from texts(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from texts(one)


def check(evidence: Evidence, name: str) -> dict[str, Any]:
    """All four forms of a reduction's sheet; its context."""
    sheet = next(one for one in REDUCTIONS if one.name == name).run(evidence)
    context = context_of(sheet, evidence.settings)
    assert context["statements"] or context["missing"] or context["left_out"]
    told = list(texts(context))
    assert not [one for one in told if UNREADABLE.search(one)]
    assert not [one for one in told if NEVER.search(one)]
    json.dumps(plain(context), allow_nan=False)
    records = list(csv_records(sheet, evidence.settings))
    if records:
        rows = list(csv.reader(io.StringIO(csv_text(records))))
        assert len({len(row) for row in rows}) == 1
        assert not [cell for row in rows for cell in row if re.match(r"[=@\t\r]|[+-](?![\d.])", cell)]
    html = render(context)
    assert "<script" not in html
    return context


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("name", NAMES)
def test_every_reduction_on_every_kind_of_programme(demo: Evidence, name: str, variant: str) -> None:
    context = check(VARIANTS[variant](demo), name)
    for table in context["tables"]:
        for position, column in enumerate(table["columns"]):
            cells = [row[position] for row in table["rows"]]
            if column["unit"] and cells:
                assert column["numeric"]
    if variant == "metric":
        shown = [one for one in texts(context) if CUSTOMARY.search(one)]
        assert not shown
        units = {column["unit"] for table in context["tables"] for column in table["columns"]}
        assert not units & {"kt", "fpm", "ft", "ft2", "lb", "nm", "in", "usgal/h"}


@pytest.mark.parametrize("name", NAMES)
def test_hostile_names_are_names(hostile: Programme, name: str) -> None:
    (sortie,) = hostile.sorties()["sortie"]
    assert hostile.sorties()["aircraft"].iloc[0] == HOSTILE
    check(gather_evidence(hostile), name)
    shown = CliRunner().invoke(trimshot, ["--programme", str(hostile.folder), "reduce", name, "--format", "csv"])
    assert shown.exit_code == 0, shown.output
    assert sortie


@pytest.mark.parametrize("name", NAMES)
def test_a_receiver_alone_and_nothing_at_all(satellite_only: Programme, empty: Programme, name: str) -> None:
    for programme in (satellite_only, empty):
        context = check(gather_evidence(programme), name)
        assert context["missing"] or context["left_out"]
        shown = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "reduce", name])
        assert shown.exit_code == 0, shown.output


@pytest.mark.parametrize("name", NAMES)
def test_two_aircraft_are_never_pooled(eleven: Programme, name: str) -> None:
    with pytest.raises(SettingsError, match="several aircraft"):
        gather_evidence(eleven)
    context = check(gather_evidence(eleven, aircraft="TUSSOCK-U1"), name)
    own = {"T250603-01-drag_survey", "T250605-01-handling", "T250607-01-patterns"}
    assert {one["sortie"] for one in context["used"]} <= own
    assert len([one for one in context["left_out"] if "not of TUSSOCK-U1" in one["reason"]]) == 8


@pytest.mark.parametrize("document", DOCUMENTS)
def test_documents_of_a_hostile_a_bare_and_an_empty_programme(
    hostile: Programme, satellite_only: Programme, empty: Programme, document: str
) -> None:
    for programme in (hostile, satellite_only, empty):
        listed = list(programme.sorties()["sortie"])
        if document == "debrief" and not listed:
            continue
        data = context_of_document(
            programme, document, sortie=listed[0] if document == "debrief" else None, aircraft=None
        )
        own = [one for one in texts(data) if "script" not in one and FOLDER not in one]
        assert not [one for one in own if UNREADABLE.search(one)]
        assert not [one for one in own if NEVER.search(one)]
        assert press(document, data).startswith(b"%PDF-")


@pytest.mark.parametrize("context_of_one", [cards_context, handbook_context])
@pytest.mark.parametrize("variant", VARIANTS)
def test_cards_and_handbook_on_every_kind_of_programme(
    demo: Evidence, context_of_one: Callable[[Evidence], dict[str, Any]], variant: str
) -> None:
    context = context_of_one(VARIANTS[variant](demo))
    told = list(texts(context))
    assert not [one for one in told if UNREADABLE.search(one) or NEVER.search(one)]
    if variant == "metric":
        assert not [one for one in told if CUSTOMARY.search(one)]


def test_the_debrief_in_metric_units(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "metric")
    (programme.folder / "settings.toml").write_text(METRIC, encoding="utf-8")
    assert programme.add([DEMO / "S250520-01-drag_survey.zip"]).count("added") == 1
    context = debrief_context(programme, "S250520-01-drag_survey")
    own = [one for key, value in context.items() if key != "notes" for one in texts(value)]
    assert not [one for one in own if CUSTOMARY.search(one)]
