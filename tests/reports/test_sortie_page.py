"""The sortie page: whole, offline, escaped, with the way back to the rows."""

from __future__ import annotations

import html
import json
import re
import shutil
from pathlib import Path

from trimshot.reports.sortie_page import render, script_json, sortie_context, write_sortie_page
from trimshot.store.programme import Programme, create_programme

DRAG = "S250506-01-drag_survey"


def test_the_page_stands_alone(demo_programme: Programme, tmp_path: Path) -> None:
    page = write_sortie_page(demo_programme, DRAG, tmp_path / "page.html").read_text(encoding="utf-8")
    body = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
    assert not re.findall(r"(?:src|href)\s*=", body)
    assert "@import" not in page
    assert "url(" not in page


def test_the_page_shows_every_point_event_and_file(demo_programme: Programme, tmp_path: Path) -> None:
    page = write_sortie_page(demo_programme, DRAG, tmp_path / "page.html").read_text(encoding="utf-8")
    points = demo_programme.points(DRAG)
    rows = page.split("<h2>Stabilised points", 1)[1].split("</table>", 1)[0].count("<tr data-start")
    assert rows == len(points)
    for file in demo_programme.ledger(DRAG)["file"]:
        assert html.escape(file) in page
    for digest in demo_programme.ledger(DRAG)["sha256"]:
        assert digest in page
    assert f"Events ({len(demo_programme.events(DRAG))})" in page


def test_every_point_names_the_rows_it_came_from(demo_programme: Programme) -> None:
    for row in sortie_context(demo_programme, DRAG)["points"]:
        assert re.search(r"display_0020\.csv \d+.\d+", row["rows"]), row


def test_the_history_holds_gaps_as_nulls_and_all_points(demo_programme: Programme) -> None:
    history = sortie_context(demo_programme, DRAG)["history"]
    length = len(history["t"])
    assert all(len(values) == length for values in history["channels"].values())
    assert [p["number"] for p in history["points"]] == list(demo_programme.points(DRAG)["number"])
    assert "NaN" not in json.dumps(history, allow_nan=False)


def test_words_from_outside_cannot_become_markup(demo_programme: Programme) -> None:
    context = sortie_context(demo_programme, DRAG)
    evil = "</script><img src=x onerror=alert(1)>"
    context["sortie"] = evil
    context["headline"] = evil
    context["findings"] = [{"level": "note", "code": "X", "where": evil, "count": 1, "text": evil}]
    context["history"] = {**context["history"], "events": [{"time": 0, "stop": 0, "label": evil}]}
    page = render(context)
    assert "<img" not in page
    assert page.count("</script>") == 3
    assert json.loads(script_json({"a": evil})) == {"a": evil}


def test_a_sortie_without_engine_or_points_still_has_a_page(tmp_path: Path) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    lines = ["time_utc,ias_kt,pressure_alt_ft"]
    lines += [f"2031-03-14T09:{m:02d}:{s:02d}Z,0.0,1200" for m in range(3) for s in range(60)]
    (folder / "log.csv").write_text("\n".join(lines) + "\n")
    programme = create_programme(tmp_path / "programme")
    assert programme.add([folder]).count("added") == 1
    page = write_sortie_page(programme, "walk", None)
    assert page == programme.folder / "reports" / "walk.html"
    text = page.read_text(encoding="utf-8")
    assert "No stretch came near the criteria" in text
    assert "refused candidates below" not in text  # there are none
    shutil.rmtree(folder)
