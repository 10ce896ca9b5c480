"""What holds for every reduction: it runs on anything, says what it needs, and all faces tell the same."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.listing import plain
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.page import render
from trimshot.reports.reductions.present import QUANTITIES, context_of, csv_records
from trimshot.reports.reductions.registry import REDUCTIONS, Reduction, find_reduction
from trimshot.reports.reductions.sheet import Sheet
from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import Settings
from trimshot.store.programme import Programme, create_programme

BY_NAME = {one.name: one for one in REDUCTIONS}
NEVER = re.compile(r"\b(safe|safely|cleared|approved)\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def sheets(demo_programme: Programme) -> dict[str, Sheet]:
    evidence = gather_evidence(demo_programme)
    return {one.name: one.run(evidence) for one in REDUCTIONS}


@pytest.fixture
def nothing(tmp_path: Path) -> Evidence:
    return gather_evidence(create_programme(tmp_path / "empty"))


@pytest.mark.parametrize("name", BY_NAME)
def test_a_sheet_is_whole(sheets: dict[str, Sheet], name: str) -> None:
    sheet = sheets[name]
    assert sheet.name == name
    assert sheet.statements or sheet.missing
    for table in sheet.tables:
        keys = [column.key for column in table.columns]
        assert len(keys) == len(set(keys))
        for row in table.rows:
            assert len(row) == len(table.columns)
        assert {column.quantity for column in table.columns} - {None} <= QUANTITIES
    for figure in sheet.figures:
        assert {axis.quantity for axis in (figure.x, figure.y)} - {None} <= QUANTITIES
        for series in figure.series:
            assert len(series.x) == len(series.y)
            assert len(series.y_low) in (0, len(series.x)) and len(series.y_low) == len(series.y_high)
            assert len(series.origin) in (0, len(series.x))


@pytest.mark.parametrize("name", BY_NAME)
def test_words_that_are_no_software_s_to_say_are_not_said(sheets: dict[str, Sheet], name: str) -> None:
    html = render(context_of(sheets[name], _settings()))
    assert not NEVER.search(re.sub(r"<style.*?</style>|<svg.*?</svg>", "", html, flags=re.DOTALL))


@pytest.mark.parametrize("name", BY_NAME)
def test_every_number_has_its_way_back(sheets: dict[str, Sheet], demo_programme: Programme, name: str) -> None:
    sorties = set(demo_programme.sorties()["sortie"])
    sheet = sheets[name]
    cells = [cell for table in sheet.tables for row in table.rows for cell in row]
    origins = [*sheet.used, *(one for cell in cells for one in cell.origin)]
    assert {one.sortie for one in origins} <= sorties
    points = {(row["sortie"], row["number"]) for row in demo_programme.points().to_dict("records")}
    assert {(one.sortie, one.number) for one in origins if one.number is not None} <= points
    if any(cell.low is not None for cell in cells):
        assert sheet.used


@pytest.mark.parametrize("name", BY_NAME)
def test_nothing_in_gives_what_is_missing_and_no_fault(nothing: Evidence, name: str) -> None:
    sheet = BY_NAME[name].run(nothing)
    assert sheet.missing
    json.dumps(plain(context_of(sheet, _settings())), allow_nan=False)


@pytest.mark.parametrize("name", BY_NAME)
def test_channels_that_are_missing_are_no_fault(demo_programme: Programme, name: str) -> None:
    evidence = gather_evidence(demo_programme)
    bare = [
        c for c in evidence.points if c.split("_")[0] in ("engine", "mass", "static", "outside", "fuel", "manifold")
    ]
    BY_NAME[name].run(
        replace(evidence, points=evidence.points.drop(columns=[c for c in bare if c not in ("mass", "mass_from")]))
    )


def test_all_forms_carry_the_same_numbers(sheets: dict[str, Sheet]) -> None:
    for sheet in sheets.values():
        context = context_of(sheet, _settings())
        texts = [cell["text"] for table in context["tables"] for row in table["rows"] for cell in row]
        html = render(context)
        assert all(_escaped(text) in html for text in texts)
        values = [cell["value"] for table in context["tables"] for row in table["rows"] for cell in row]
        csv = [value for record in csv_records(sheet, _settings()) for value in record.values()]
        assert all(value in csv for value in values if isinstance(value, float))


def _escaped(text: str) -> str:
    return (
        text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("'", "&#39;").replace('"', "&#34;")
    )


def _settings() -> Settings:
    return Settings()


def test_unknown_names_and_options_are_told_with_what_there_is(demo_programme: Programme) -> None:
    with pytest.raises(SettingsError, match="calibration"):
        find_reduction("nothing of the kind")
    for arguments, told in (
        (["nothing"], "no such reduction"),
        (["next", "--with", "number=3"], "count"),
        (["next", "--with", "count=many"], "is a number"),
        (["drag", "--sorties", "none"], "no such sortie"),
        (["approach", "--with", "speed=3 kg"], "quantity of speed"),
        (["drag", "--with", "robust=maybe"], "allowed: yes, no"),
        (["next", "--with", "count=-3"], "more than 0"),
        (["flare", "--with", "load_factor=1"], "more than 1"),
        (["approach", "--with", "bank=95 deg"], "less than"),
        (["approach", "--with", "downwind=-0.5 nmi"], "at least 0 nm"),
    ):
        done = CliRunner().invoke(trimshot, ["--programme", str(demo_programme.folder), "reduce", *arguments])
        assert done.exit_code == 2
        assert told in done.output, done.output


def test_options_are_listed_and_steer(demo_programme: Programme) -> None:
    listed = CliRunner().invoke(trimshot, ["--programme", str(demo_programme.folder), "reduce"])
    assert all(one.name in listed.output for one in REDUCTIONS)
    command = ["--programme", str(demo_programme.folder), "reduce", "next", "--format", "json", "--with", "count=2"]
    context = json.loads(CliRunner().invoke(trimshot, command).stdout)
    assert len(context["tables"][0]["rows"]) == 2


def texts_of(reduction: Reduction) -> Iterator[str]:
    """Every word the registry shows."""
    yield from (reduction.title, reduction.question, *(option.meaning for option in reduction.options))


def test_the_registry_reads_well() -> None:
    assert len(BY_NAME) == len(REDUCTIONS)
    assert not any(NEVER.search(text) for one in REDUCTIONS for text in texts_of(one))
