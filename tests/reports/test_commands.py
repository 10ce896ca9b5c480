"""The command line on a real programme: forms, units, exit codes, no traceback."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from trimshot.reports.absent import tell_absent
from trimshot.reports.cli import trimshot
from trimshot.store.programme import Programme

ISO = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
DEMO = Path(__file__).parent.parent.parent / "reports" / "demo_data"
DRAG = "S250506-01-drag_survey"


def run(*words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(trimshot, list(words), catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


def answer(programme: Programme, *words: str) -> Any:
    return json.loads(run("--programme", str(programme.folder), *words, "--format", "json").stdout)


def test_points_as_json_carry_what_is_promised(demo_programme: Programme) -> None:
    points = answer(demo_programme, "points")
    assert len(points) == len(demo_programme.points())
    for point in points:
        assert set(point) >= {
            "sortie",
            "start_utc",
            "end_utc",
            "duration_s",
            "kind",
            "gear",
            "flap",
            "propulsion",
            "score",
        }
        assert ISO.fullmatch(point["start_utc"])
        assert ISO.fullmatch(point["end_utc"])
        assert point["kind"] in ("glide", "level", "climb", "descent", "turn")
        for one in point["statistics"].values():
            assert set(one) == {"mean", "deviation", "slope_per_s", "standard_error", "type_b", "unit"}


def test_display_units_are_a_change_of_scale_of_the_stored_si_values(demo_programme: Programme) -> None:
    point = answer(demo_programme, "points", "--sortie", DRAG)[0]
    stored = demo_programme.statistics(DRAG, point["number"]).set_index("channel")
    speed, air = point["statistics"]["indicated_airspeed"], point["statistics"]["outside_air_temperature"]
    # exact definitions: 1 kt = 1852 m / 3600 s, 0 degC = 273.15 K (BIPM SI brochure, 9th edition)
    assert speed["unit"] == "kt"
    assert speed["mean"] == pytest.approx(stored.loc["indicated_airspeed", "mean"] * 3600 / 1852, rel=1e-9)
    assert speed["slope_per_s"] == pytest.approx(
        stored.loc["indicated_airspeed", "slope_per_s"] * 3600 / 1852, rel=1e-8
    )
    assert air["mean"] == pytest.approx(stored.loc["outside_air_temperature", "mean"] - 273.15, abs=1e-6)
    assert air["deviation"] == pytest.approx(stored.loc["outside_air_temperature", "deviation"], rel=1e-8)


def test_refused_candidates_each_say_why(demo_programme: Programme) -> None:
    refused = answer(demo_programme, "points", "--refused")
    assert refused
    for candidate in refused:
        assert not candidate["accepted"]
        assert candidate["reasons"]
        assert all(reason["text"] for reason in candidate["reasons"])


def test_config_filters_points(demo_programme: Programme) -> None:
    some = answer(demo_programme, "points", "--config", "gear=down flap=full")
    every = answer(demo_programme, "points")
    assert some
    assert [p for p in every if (p["gear"], p["flap"]) == ("down", "full")] == some


def test_events_as_json_carry_what_is_promised(demo_programme: Programme) -> None:
    events = answer(demo_programme, "events", "--sortie", DRAG)
    for event in events:
        assert set(event) >= {"sortie", "time_utc", "end_utc", "kind", "before", "after", "confidence", "uncertainty_s"}
        assert ISO.fullmatch(event["time_utc"])
        assert 0 <= event["confidence"] <= 1
    gear = answer(demo_programme, "events", "--sortie", DRAG, "--kind", "gear")
    assert {e["kind"] for e in gear} == {"gear_up", "gear_down"}
    assert gear == [e for e in events if e["kind"].startswith("gear_")]


def test_find_answers_alike_in_every_form(demo_programme: Programme) -> None:
    words = (
        "find",
        "flap = 'full' AND gear = 'down' AND vertical_speed < fpm(-500)",
        "--at-least",
        "10s",
        "--join",
        "2s",
    )
    runs = answer(demo_programme, *words)
    assert runs
    assert all(r["duration_s"] >= 10 and ISO.fullmatch(r["start_utc"]) for r in runs)
    text = run("--programme", str(demo_programme.folder), *words, "--format", "csv").stdout
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [r["start_utc"] for r in rows] == [r["start_utc"] for r in runs]
    table = run("--programme", str(demo_programme.folder), *words).stdout
    assert f"{len(runs)} stretches" in table
    assert "of 2 sorties considered" in table or "left out" in table


@pytest.mark.parametrize("command", ["sorties", "channels", "points", "events"])
def test_every_listing_has_three_forms_of_equal_length(demo_programme: Programme, command: str) -> None:
    records = answer(demo_programme, command)
    text = run("--programme", str(demo_programme.folder), command, "--format", "csv").stdout
    assert len(list(csv.DictReader(io.StringIO(text)))) == len(records) > 0
    table = run("--programme", str(demo_programme.folder), command).stdout
    assert len(table.splitlines()) >= len(records)


def test_show_draws_the_states(demo_programme: Programme) -> None:
    text = run("--programme", str(demo_programme.folder), "show", DRAG).stdout
    for word in ("gear", "flap", "propulsion", "climb", "glide", "UTC"):
        assert word in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["points", "--sortie", "nowhere"], "nowhere"),
        (["show", "nowhere"], "nowhere"),
        (["report", "nowhere"], "nowhere"),
        (["find", "indicated_airspede > kt(95)"], "indicated_airspeed"),
        (["find", "gear = "], "character 8"),
        (["find", "1=1; DROP TABLE point"], ""),
        (["points", "--config", "gear:down"], "gear=down"),
        (["find", "gear = 'down'", "--at-least", "ten"], "10s"),
        (["add", "no/such/folder"], "no/such/folder"),
        (["read", "no/such/file.csv"], "no/such/file.csv"),
    ],
)
def test_a_users_error_is_one_readable_line_and_code_two(
    demo_programme: Programme, words: list[str], told: str
) -> None:
    result = run("--programme", str(demo_programme.folder), *words, code=2)
    text = result.output
    assert told in text
    assert "Traceback" not in text
    assert len([line for line in text.splitlines() if line.startswith(("trimshot:", "Error:"))]) <= 1


def test_no_programme_says_how_to_make_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert "trimshot new" in run("points", code=2).output


def test_the_programme_is_found_upwards(demo_programme: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo_programme.folder / "sorties" / DRAG)
    assert DRAG in run("sorties").stdout


def test_a_folder_and_its_zip_give_the_same_and_twice_adds_nothing(demo_programme: Programme, tmp_path: Path) -> None:
    folder = tmp_path / "logs" / "S250508-03-speed_power"
    shutil.unpack_archive(DEMO / "S250508-03-speed_power.zip", folder)
    run("new", str(tmp_path / "programme"))
    (tmp_path / "programme" / "settings.toml").write_bytes((DEMO / "settings.toml").read_bytes())
    first = run("--programme", str(tmp_path / "programme"), "add", str(folder)).stdout
    assert "display_0073.csv" in first
    assert "rows in" in first
    again = run("--programme", str(tmp_path / "programme"), "add", str(folder)).stdout
    assert "nothing added" in again
    ours = json.loads(run("--programme", str(tmp_path / "programme"), "points", "--format", "json").stdout)
    assert ours == answer(demo_programme, "points", "--sortie", "S250508-03-speed_power")


def test_a_listing_as_csv_disarms_formulas() -> None:
    from trimshot.reports.listing import csv_text

    text = csv_text([{"name": "=HYPERLINK(1)", "value": -1.5}, {"name": "@x", "value": 2.0}])
    assert list(csv.reader(io.StringIO(text)))[1:] == [["'=HYPERLINK(1)", "-1.5"], ["'@x", "2.0"]]


@pytest.mark.parametrize("command", ["points", "events", "manoeuvres", "channels", "questions"])
def test_a_sortie_is_named_with_or_without_the_option(demo_programme: Programme, command: str) -> None:
    named = answer(demo_programme, command, DRAG)
    assert named == answer(demo_programme, command, "--sortie", DRAG)
    assert {one["sortie"] for one in named if "sortie" in one} <= {DRAG}
    folder = str(demo_programme.folder)
    assert "two sorties" in run("--programme", folder, command, DRAG, "--sortie", "other", code=2).output
    assert f"did you mean {DRAG}" in run("--programme", folder, command, DRAG[:-1], code=2).output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("points", "--kind", "glidee"), "kind 'glidee'; found: "),
        (("points", "--config", "gear=dwn"), "gear 'dwn'; found: "),
        (("events", "--kind", "gaer"), "kind 'gaer'; found: "),
        (("manoeuvres", "--kind", "trn"), "kind 'trn'; found: "),
        (("reduce", "drag", "--config", "gear=dwn"), "points with gear 'dwn'; found: "),
        (("find", "flap = 'ful'"), "flap 'ful'; found: "),
        (("find", "gear = 'down'", "--after", "gaer", "30s"), "events 'gaer'; found: "),
    ],
)
def test_a_word_that_is_nowhere_is_told_with_those_there_are(
    demo_programme: Programme, words: tuple[str, ...], said: str
) -> None:
    output = run("--programme", str(demo_programme.folder), *words).output
    assert f"note: no sortie has {said if words[0] in ('find', 'reduce') else f'{words[0]} with {said}'}" in output


def test_a_word_that_is_somewhere_needs_no_note(demo_programme: Programme) -> None:
    assert tell_absent(demo_programme, "events", {"kind": "gear"}) == ""  # the family of gear_up and gear_down
    assert tell_absent(demo_programme, "points", {"kind": "glide", "gear": "down", "flap": None}) == ""
    assert "'gea'" in tell_absent(demo_programme, "events", {"kind": "gea"})


def test_a_mistyped_command_is_told_with_the_nearest() -> None:
    assert "did you mean: points" in run("pionts", code=2).output


def test_a_sortie_is_taken_out_when_it_is_meant(tmp_path: Path) -> None:
    rows = "".join(f"2031-03-14T09:26:{k:02d}Z,{95 + k},{5000 - k}\n" for k in range(30))
    (tmp_path / "log").mkdir()
    (tmp_path / "log" / "a.csv").write_text("utc,ias_kt,pressure_alt_ft\n" + rows)
    place = ["--programme", str(tmp_path / "programme")]
    run("new", str(tmp_path / "programme"))
    run(*place, "add", str(tmp_path / "log"))
    asked = CliRunner().invoke(trimshot, [*place, "remove", "log"], input="n\n")
    assert asked.exit_code == 1 and "log and 1 kept file of it" in asked.output
    assert "log" in run(*place, "sorties").output
    assert "did you mean log" in run(*place, "remove", "logg", "--yes", code=2).output
    run(*place, "remove", "log", "--yes")
    assert "no sorties yet" in run(*place, "sorties").output
    assert (tmp_path / "log" / "a.csv").exists()
    run(*place, "add", str(tmp_path / "log"))  # as if it had never been there
    run(*place, "check")


@pytest.mark.parametrize("words", [
    ["redetect", "S250506-01-drag_servey"], ["print", "debrief", "S250506-01-drag_servey"],
    ["reduce", "drag", "--sorties", "S250506-01-drag_servey"], ["show", "S250506-01-drag_servey"],
])  # fmt: skip
def test_a_mistyped_sortie_is_told_with_the_nearest(demo_programme: Programme, words: list[str]) -> None:
    output = run("--programme", str(demo_programme.folder), *words, code=2).output
    assert f"did you mean {DRAG}" in output
    assert "not added" not in output


@pytest.mark.parametrize(
    "words", [["reduce", "drag", "--page"], ["print", "cards", "--out"], ["report", DRAG, "--output"]]
)
def test_no_folder_is_made_where_a_file_was_to_go(demo_programme: Programme, tmp_path: Path, words: list[str]) -> None:
    target = tmp_path / "mistyped" / "file"
    output = run("--programme", str(demo_programme.folder), *words, str(target), code=2).output
    assert "cannot be written" in output and "mistyped" in output
    assert not target.parent.exists()


def test_a_number_without_a_unit_is_told_of(demo_programme: Programme) -> None:
    place = ["--programme", str(demo_programme.folder)]
    assert "note: 95 was taken in m/s" in run(*place, "find", "calibrated_airspeed > 95").output
    assert "was taken" not in run(*place, "find", "calibrated_airspeed > 95 kt", "--at-least", "5s").output
