"""Manoeuvres for people and programs: display units, one line each, the command and the page."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.manoeuvres import facts_shown, manoeuvre_records, manoeuvre_text
from trimshot.reports.sortie_page import render, sortie_context
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme, create_programme

HANDLING = Path(__file__).parent.parent / "data" / "sorties" / "S250509-04-handling.zip"


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    made = create_programme(tmp_path_factory.mktemp("manoeuvres") / "p")
    assert made.add([HANDLING]).count("added") == 1
    return made


def test_facts_are_in_display_units() -> None:
    facts = {
        "entry_rate": 1852 / 3600,
        "bank": 3.141592653589793 / 6,
        "height_lost_m": 30.48,
        "stalled": True,
        "gear": "up",
    }
    shown = facts_shown("approach_to_stall", facts, parse_settings("", "t"))
    assert shown["entry_rate"] == {"value": pytest.approx(1.0), "unit": "kt/s"}
    assert shown["bank"] == {"value": pytest.approx(30.0), "unit": "deg"}
    assert shown["height_lost_m"] == {"value": pytest.approx(100.0), "unit": "ft"}
    assert (shown["stalled"], shown["gear"]) == (True, "up")
    metric = facts_shown("approach_to_stall", facts, parse_settings('[display]\nspeed = "m/s"\naltitude = "m"\n', "t"))
    assert metric["entry_rate"]["unit"] == "m/s/s"
    assert metric["height_lost_m"]["value"] == pytest.approx(30.48)


def test_an_oscillation_in_one_line_has_both_ways_and_twice_the_error() -> None:
    facts = facts_shown(
        "phugoid",
        {
            "period_s": 32.78, "period_error_s": 0.045, "damping_ratio": 0.077, "damping_ratio_error": 0.001,
            "damping_ratio_by_peaks": 0.08, "damping_ratio_by_peaks_error": 0.002, "lanchester_period_s": 29.0,
            "cycles": 1.5,
        },
        parse_settings("", "t"),
    )  # fmt: skip
    text = manoeuvre_text("phugoid", facts)
    assert text.startswith("period 32.78 ± 0.09 s (Lanchester 29.0 s), damping ratio 0.077 ± 0.002")
    assert "0.080 ± 0.004 by peaks" in text
    assert (
        manoeuvre_text("short_period", {"dead_beat": True, "settled_s": {"value": 0.9, "unit": "s"}})
        == "dead beat within 0.9 s"
    )


def test_every_kind_there_is_has_a_line(programme: Programme) -> None:
    records = manoeuvre_records(programme, None, None)
    kinds = {r["kind"] for r in records}
    assert {"phugoid", "turn", "wind_up_turn", "approach_to_stall", "sideslip", "short_period", "dutch_roll"} <= kinds
    for record in records:
        assert manoeuvre_text(record["kind"], record["facts"]).strip()
        assert "None" not in manoeuvre_text(record["kind"], record["facts"])


def test_the_command_lists_them_in_every_form(programme: Programme) -> None:
    def run(*more: str) -> str:
        done = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "manoeuvres", *more])
        assert done.exit_code == 0, done.output
        return done.output

    rows = json.loads(run("--format", "json"))
    assert len(rows) == len(programme.manoeuvres())
    stalls = json.loads(run("--format", "json", "--kind", "approach_to_stall"))
    assert len(stalls) == 3
    # the simulated pilot aims at 1 kt/s; the true airspeed history says 0.64 to 0.67 over the last tenth
    assert all(0.5 < s["facts"]["entry_rate"]["value"] < 0.8 for s in stalls)
    assert "phugoid" in run()
    assert run("--format", "csv").splitlines()[0].startswith("sortie,number,kind,start_utc")
    assert "0 manoeuvres" in run("--kind", "nothing")


def test_the_page_has_them_after_the_events(programme: Programme) -> None:
    page = render(sortie_context(programme, "S250509-04-handling"))
    heads = [page.index(f"<h2>{word}") for word in ("Events", "Manoeuvres", "Findings")]
    assert heads == sorted(heads)
    assert "approach to stall" in page
    assert "damping ratio" in page


def test_redetect_says_what_it_did(programme: Programme) -> None:
    done = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "redetect", "--criteria", "gnss-leg"])
    assert done.exit_code == 0, done.output
    back = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "redetect"])
    assert back.exit_code == 0
    wrong = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "redetect", "--criteria", "nothing"])
    assert wrong.exit_code == 2
    assert "part-60-descent" in wrong.output
    missing = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "redetect", "nobody"])
    assert missing.exit_code == 2
