"""Approach, flare, slow-down, landings, stalls, oscillations where little or nothing is there: a sheet that says so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trimshot.reports.reductions import (
    approach,
    approach_sheet,
    flare_sheet,
    landings_sheet,
    oscillations,
    slow_down_sheet,
    stalls_sheet,
)
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.present import context_of
from trimshot.reports.reductions.sheet import Sheet
from trimshot.store.programme import Programme, create_programme

MODULES = (approach_sheet, flare_sheet, landings_sheet, oscillations, slow_down_sheet, stalls_sheet)
FORBIDDEN = ("safe", "cleared", "approved", "nan ", " nan", "inf ")


def _runs(evidence: Evidence) -> list[Sheet]:
    return [module.run(evidence) for module in MODULES]


def _words(sheet: Sheet) -> str:
    return " ".join((*sheet.statements, *sheet.cautions, *sheet.missing)).lower()


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    return create_programme(Path(tmp_path_factory.mktemp("empty")) / "programme")


def test_a_programme_without_sorties_says_what_is_missing(empty: Programme) -> None:
    evidence = gather_evidence(empty)
    for sheet in _runs(evidence):
        assert sheet.missing, sheet.name
        assert sheet.tables == (), sheet.name
        context_of(sheet, evidence.settings)


@pytest.mark.parametrize(
    "sorties",
    [
        ("S250510-05-cross_country",),  # no glides, no patterns
        ("S250508-03-speed_power",),  # gear never told
        ("S250507-02-patterns",),  # one flight alone, its own glides
        ("T250605-01-handling",),  # stalls, no glides
        ("S250506-01-drag_survey", "S250520-01-drag_survey"),  # glides, no patterns, no stalls
    ],
)
def test_every_part_of_a_programme_gives_a_sheet(eleven: Programme, sorties: tuple[str, ...]) -> None:
    evidence = gather_evidence(eleven, sorties=sorties)
    for sheet in _runs(evidence):
        assert sheet.statements or sheet.missing, sheet.name
        assert not any(word in _words(sheet) for word in FORBIDDEN), sheet.name
        context_of(sheet, evidence.settings)


def test_one_point_and_none(eleven: Programme) -> None:
    whole = gather_evidence(eleven, sorties=["S250506-01-drag_survey"])
    for count in (0, 1):
        evidence = replace(whole, points=whole.points.iloc[:count].reset_index(drop=True))
        assert approach.reduce_approach(evidence).heights is None
        sheet = flare_sheet.run(evidence)
        assert sheet.missing
        context_of(sheet, evidence.settings)


@pytest.mark.parametrize("channel", ["mass", "engine_speed", "sink_rate", "equivalent_airspeed"])
def test_a_missing_channel_is_no_exception(eleven: Programme, channel: str) -> None:
    whole = gather_evidence(eleven, sorties=["S250506-01-drag_survey"])
    points = whole.points.drop(columns=[c for c in whole.points if c == channel or c.startswith(f"{channel}_")])
    for sheet in _runs(replace(whole, points=points)):
        assert sheet.statements or sheet.missing, sheet.name
        context_of(sheet, whole.settings)


def test_empty_values_are_no_exception(eleven: Programme) -> None:
    whole = gather_evidence(eleven, sorties=["S250507-02-patterns"])
    points = whole.points.assign(mass=np.nan, weight=np.nan, engine_speed=np.nan)
    for sheet in _runs(replace(whole, points=points)):
        assert not any(word in _words(sheet) for word in FORBIDDEN), sheet.name
        context_of(sheet, whole.settings)


def test_two_aircraft_are_not_pooled(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, aircraft="TUSSOCK-U1")
    for sheet in _runs(evidence):
        assert {r.sortie[0] for r in sheet.used} == {"T"}, sheet.name
