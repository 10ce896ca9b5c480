"""Reductions use points as people judged them only when asked to, and say so."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from trimshot.reports.reductions.evidence import gather_evidence
from trimshot.store.judgement import judge_point
from trimshot.store.programme import Programme

SORTIE = "S250506-01-drag_survey"


@pytest.fixture
def programme(demo_programme: Programme, tmp_path: Path) -> Programme:
    return Programme(Path(shutil.copytree(demo_programme.folder, tmp_path / "copy")))


def test_a_rejected_point_is_left_out_with_its_reason_only_when_asked(programme: Programme) -> None:
    plain = gather_evidence(programme)
    judge_point(programme.folder, SORTIE, "reject", number=5, stretch=None, words=("thermal", "A. Tester"))
    assert len(gather_evidence(programme).points) == len(plain.points)
    judged = gather_evidence(programme, judged=True)
    assert len(judged.points) == len(plain.points) - 1
    assert not ((judged.points["sortie"] == SORTIE) & (judged.points["number"] == 5)).any()
    (one,) = judged.left_out
    assert one.reason == "rejected by A. Tester: thermal"
    assert one.reference is not None and (one.reference.sortie, one.reference.number) == (SORTIE, 5)


def test_an_accepted_candidate_comes_in_with_its_numbers(programme: Programme) -> None:
    refused = programme.points(SORTIE, refused=True)
    candidate = refused[~refused["accepted"]].iloc[0]
    number = int(candidate["number"])
    judge_point(programme.folder, SORTIE, "accept", number=number, stretch=None, words=("good enough", "A. Tester"))
    points = gather_evidence(programme, judged=True).points
    (row,) = points[(points["sortie"] == SORTIE) & (points["number"] == number)].to_dict("records")
    assert row["sink_rate"] == row["sink_rate"]
    assert row["calibrated_airspeed"] == pytest.approx(float(candidate["calibrated_airspeed"]))
