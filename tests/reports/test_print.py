"""Printed documents: same input, same bytes; the page holds what was found; hostile text stays text."""

from __future__ import annotations

import dataclasses
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.commands.print import DOCUMENTS, context_of_document
from trimshot.reports.display import number, with_band
from trimshot.reports.documents import handbook
from trimshot.reports.documents.cards import cards_context
from trimshot.reports.documents.debrief import debrief_context
from trimshot.reports.documents.planned import match_planned
from trimshot.reports.documents.press import press
from trimshot.reports.reductions.evidence import gather_evidence
from trimshot.reports.reductions.present import context_of
from trimshot.shared.errors import UnknownSortieError
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

KT = 1852 / 3600
SORTIE = "S250506-01-drag_survey"


@pytest.mark.parametrize("document", DOCUMENTS)
def test_same_input_same_bytes(demo_programme: Programme, document: str) -> None:
    sortie = SORTIE if document == "debrief" else None
    first, second = (
        press(document, context_of_document(demo_programme, document, sortie=sortie, aircraft=None)) for _ in range(2)
    )
    assert first.startswith(b"%PDF-")
    assert first == second


def test_the_debrief_is_one_page_and_tells_what_was_planned_and_found(demo_programme: Programme) -> None:
    context = debrief_context(demo_programme, SORTIE)
    points = demo_programme.points(SORTIE)
    assert [one["number"] for one in context["points"]] == [str(n) for n in points["number"]][: len(context["points"])]
    assert len(context["points"]) + context["more_points"] == len(points)
    # twelve planned points on the simulated sortie's card (tests/data/sorties), all flown
    assert context["planned"]["of"] == 12
    assert context["planned"]["met"] >= 11
    assert pages_of(press("debrief", context)) == 1


def test_the_debrief_says_which_limits_were_not_looked_for(demo_programme: Programme) -> None:
    # the demo's settings name no speed limit: silence would read as "none exceeded"
    (told, *_) = debrief_context(demo_programme, SORTIE)["limits"]["unset"]
    assert told.startswith("Limits ") and "never exceed speed" in told and "aircraft." not in told


def test_the_fullest_debrief_still_is_one_page(demo_programme: Programme) -> None:
    context = debrief_context(demo_programme, SORTIE)
    context["points"] = [dict(context["points"][0]) for _ in range(34)]
    context["more_points"] = 80
    context["anomalies"] = ["doubt: " + "something long was found in the recorders of this flight " * 2] * 6
    context["surprises"] = ["a number that stands out against all the other flights of the programme, by far"] * 3
    context["limits"] = {
        "rows": ["12:00:00 exceeded something: peak 100 kt, 1.0 s"] * 5,
        "count": 9,
        "unset": ["x" * 120] * 2,
    }
    context["planned"] = {
        "rows": [{"text": "planned " * 6, "met": "not found", "is_met": False}] * 16,
        "more": 9,
        "met": 0,
        "of": 25,
    }
    assert pages_of(press("debrief", context)) == 1


def pages_of(document: bytes) -> int:
    """Pages of a PDF as its page tree counts them (ISO 32000-1, 7.7.3.2)."""
    (count,) = re.findall(rb"/Type\s*/Pages\s*/Count (\d+)", document)
    return int(count)


def test_hostile_text_is_printed_as_text(demo_programme: Programme) -> None:
    context = debrief_context(demo_programme, SORTIE)
    hostile = '#panic("x") $ \\ @ref <label> #include "/etc/passwd" ```'
    context.update(title=hostile, headline=hostile, events=hostile, notes=[hostile], anomalies=[hostile] * 3)
    context["facts"] = [{"name": hostile, "value": hostile}]
    assert press("debrief", context).startswith(b"%PDF-")


def test_planned_points_meet_each_found_point_once() -> None:
    card = {
        "planned_points": [
            {"number": 1, "kind": "glide", "airspeed_m_s": 80 * KT, "configuration": "clean", "text": "a"},
            {"number": 2, "kind": "glide", "airspeed_m_s": 82 * KT, "configuration": "clean", "text": "b"},
            {"number": 3, "kind": "glide", "airspeed_m_s": 81 * KT, "configuration": "gear", "text": "c"},
            {"number": 4, "kind": "glide", "airspeed_m_s": 120 * KT, "configuration": "clean", "text": "d"},
        ]
    }
    points = pd.DataFrame(
        [
            {"number": 7, "kind": "glide", "gear": "up", "flap": "up", "calibrated_airspeed": 81.9 * KT},
            {"number": 8, "kind": "glide", "gear": "up", "flap": "up", "calibrated_airspeed": 80.2 * KT},
            {"number": 9, "kind": "glide", "gear": "down", "flap": "up", "calibrated_airspeed": 81.0 * KT},
        ]
    )
    matched = match_planned(card, points)
    assert [one.number for one in matched] == [8, 7, 9, None]
    assert matched[0].difference == pytest.approx(0.2 * KT)
    assert match_planned({}, points) == ()
    assert [one.number for one in match_planned(card, points.iloc[:0])] == [None] * 4


def test_cards_carry_the_limits_of_the_settings(demo_programme: Programme) -> None:
    evidence = gather_evidence(demo_programme)
    text = '[aircraft]\nnever_exceed_speed = "180 kt"\ngear_extended_speed = "120 kt"\nstall_speed_clean = "60 kt"'
    context = cards_context(dataclasses.replace(evidence, settings=parse_settings(text, "t")))
    down = [card for card in context["cards"] if "gear down" in card["title"]]
    assert down
    assert all(card["limits"].startswith("gear-extended speed 120.0 kt") for card in down)
    assert "0.07 kt/s" in context["tolerance"]


def test_each_aircraft_has_documents_of_its_own(demo_programme: Programme, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(demo_programme.folder, folder)
    for aircraft, name in (("SALLOW-R1", "cards-SALLOW-R1.pdf"), (None, "cards.pdf")):
        chosen = ["--aircraft", aircraft] if aircraft else []
        done = CliRunner().invoke(trimshot, ["--programme", str(folder), "print", "cards", *chosen])
        assert done.exit_code == 0, done.output
        assert (folder / "reports" / name).read_bytes().startswith(b"%PDF-")


def test_a_handbook_leaves_no_statement_out(demo_programme: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    told = tuple(f"configuration {k}: measured" for k in range(15))
    monkeypatch.setattr(
        handbook, "context_of", lambda sheet, settings: {**context_of(sheet, settings), "statements": told}
    )
    context = handbook.handbook_context(gather_evidence(demo_programme))
    assert context["sections"]
    assert all(tuple(one["statements"]) == told for one in context["sections"])


def test_the_command_writes_into_the_programme(demo_programme: Programme, tmp_path: Path) -> None:
    out = tmp_path / "cards.pdf"
    done = CliRunner().invoke(
        trimshot, ["--programme", str(demo_programme.folder), "print", "cards", "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert out.read_bytes().startswith(b"%PDF-")
    wrong = CliRunner().invoke(trimshot, ["--programme", str(demo_programme.folder), "print", "debrief"])
    assert wrong.exit_code == 2
    with pytest.raises(UnknownSortieError):
        debrief_context(demo_programme, "none")


def test_what_rounds_to_zero_has_no_sign() -> None:
    assert with_band(-0.2, 222.0, "fpm") == "0 ± 222"
    assert number(-0.04, "kt") == "0.0"
    assert number(-0.06, "kt") == "-0.1"
