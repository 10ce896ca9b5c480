"""`fetch`, `save`, `saved`, `forget`, `sql`, `check` and files of the listings, on a real programme."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import openpyxl
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from trimshot.reports.cli import trimshot
from trimshot.store.programme import Programme

DOWN = "gear = 'down' AND vertical_speed < fpm(-300)"


def run(programme: Programme, *words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), *words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_fetched_samples_are_the_stored_ones_in_display_units(demo_programme: Programme) -> None:
    words = ("fetch", DOWN, "--at-least", "5s", "--channels", "calibrated_airspeed,gear", "--margin", "2s")
    done = run(demo_programme, *words, "--format", "csv")
    rows = rows_of(done.stdout)
    assert "1 considered" in done.stderr or "2 considered" in done.stderr
    found = demo_programme.find(DOWN, 5.0).frame
    assert {int(row["stretch"]) for row in rows} == set(range(1, len(found) + 1))
    first = found.iloc[0]
    start, stop = first["start_s"] - 2.0, first["stop_s"] + 2.0
    stored = demo_programme.samples(first["sortie"], ["calibrated_airspeed"], start=start, stop=stop)
    mine = [row for row in rows if row["stretch"] == "1"]
    assert len(mine) == len(stored)
    for row, knots in zip(mine, stored["calibrated_airspeed"] * 3600 / 1852, strict=True):  # 1 kt = 1852 m / 3600 s
        assert float(row["calibrated_airspeed [kt]"]) == pytest.approx(knots, rel=1e-9)
    assert {row["inside"] for row in mine} == {"True", "False"}
    si = rows_of(run(demo_programme, *words, "--si", "--format", "csv").stdout)
    assert float(si[0]["calibrated_airspeed [m/s]"]) == pytest.approx(stored["calibrated_airspeed"].iloc[0], rel=1e-9)


def test_points_are_fetched_each_into_a_file(demo_programme: Programme, tmp_path: Path) -> None:
    points = demo_programme.points(kind="glide")
    run(demo_programme, "fetch", "--points", "--kind", "glide", "--each", str(tmp_path / "each"), "--format", "parquet")
    files = sorted((tmp_path / "each").iterdir())
    assert len(files) == len(points) > 0
    table = pq.read_table(files[0])
    assert table.schema.field("calibrated_airspeed [kt]").metadata == {b"unit": b"kt"}
    asked = json.loads(table.schema.metadata[b"trimshot"])[1]
    assert asked == ["asked", "fetch --points --kind glide"]
    first = points.iloc[0]
    seconds = table.column("t").to_pylist()
    assert (seconds[0] >= first["start_s"], seconds[-1] < first["stop_s"]) == (True, True)


def test_means_of_stretches_are_those_find_tells(demo_programme: Programme) -> None:
    rows = rows_of(run(demo_programme, "fetch", DOWN, "--at-least", "5s", "--means", "--format", "csv").stdout)
    found = json.loads(run(demo_programme, "find", DOWN, "--at-least", "5s", "--format", "json").stdout)
    assert len(rows) == len(found) > 0
    for row, one in zip(rows, found, strict=True):
        assert row["start_utc"] == one["start_utc"]
    whole = [(row, one) for row, one in zip(rows, found, strict=True) if int(row["rows"]) == one["rows"]]
    assert whole
    for row, one in whole:
        assert float(row["calibrated_airspeed mean [kt]"]) == pytest.approx(one["calibrated_airspeed"], rel=1e-8)


def test_a_file_holds_what_was_asked_and_of_whom(demo_programme: Programme, tmp_path: Path) -> None:
    out = tmp_path / "x.xlsx"
    run(demo_programme, "fetch", DOWN, "--at-least", "5s", "--out", str(out))
    about = [(row[0], row[1]) for row in openpyxl.load_workbook(out)["about"].values]
    facts = dict(about)
    assert facts["condition"] == DOWN
    assert facts["asked"] == f"fetch {DOWN} --at-least 5.0"
    result = demo_programme.find(DOWN, 5.0)
    assert [value for key, value in about if key == "considered"] == list(result.considered)
    for sortie, reason in result.left_out.items():
        assert facts[f"left out: {sortie}"] == reason


@pytest.mark.parametrize(
    "words",
    [
        ("fetch",),
        ("fetch", DOWN, "--points"),
        ("fetch", DOWN, "--format", "parquet"),
        ("fetch", DOWN, "--out", "x.doc"),
        ("fetch", DOWN, "--out", "/nowhere/at/all/x.csv"),
        ("fetch", DOWN, "--each", "x", "--means"),
        ("fetch", DOWN, "--channels", "speed"),
        ("fetch", "@nothing"),
        ("sql", "DELETE FROM point"),
        ("sql", "SELECT * FROM read_text('/etc/hostname')"),
        ("points", "--format", "xlsx"),
        ("save", "../x", "t > 1"),
        ("save", "x", "nonsense > 1"),
        ("forget", "x"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_code_two(demo_programme: Programme, words: tuple[str, ...]) -> None:
    result = run(demo_programme, *words, code=2)
    assert "Traceback" not in result.output
    assert result.stderr.strip()


def test_sql_in_every_form(demo_programme: Programme, tmp_path: Path) -> None:
    statement = "SELECT sortie, count(*) AS n FROM points WHERE accepted GROUP BY sortie ORDER BY sortie"
    counted = demo_programme.points().groupby("sortie").size()
    assert json.loads(run(demo_programme, "sql", statement, "--format", "json").stdout) == [
        {"sortie": name, "n": int(n)} for name, n in counted.items()
    ]
    table = run(demo_programme, "sql", statement).stdout
    assert all(name in table for name in counted.index)
    run(demo_programme, "sql", statement, "--out", str(tmp_path / "x.parquet"))
    assert pq.read_table(tmp_path / "x.parquet").to_pydict() == {"sortie": list(counted.index), "n": list(counted)}


def test_a_listing_in_a_file_is_the_listing(demo_programme: Programme, tmp_path: Path) -> None:
    for command in ("sorties", "channels", "points", "events", "manoeuvres"):
        text = run(demo_programme, command, "--format", "csv").stdout
        for ending in ("csv", "json", "parquet", "xlsx", "txt"):
            run(demo_programme, command, "--out", str(tmp_path / f"{command}.{ending}"))
        assert (tmp_path / f"{command}.csv").read_text(encoding="utf-8") == text
        rows = rows_of(text)
        assert pq.read_metadata(tmp_path / f"{command}.parquet").num_rows == len(rows)
        data = list(openpyxl.load_workbook(tmp_path / f"{command}.xlsx")["data"].values)
        assert list(data[0]) == list(rows[0])
        assert len(data) == len(rows) + 1
        assert rows[0]["sortie"] in (tmp_path / f"{command}.txt").read_text(encoding="utf-8")


@pytest.fixture
def own(demo_programme: Programme, tmp_path: Path) -> Programme:
    return Programme(Path(shutil.copytree(demo_programme.folder, tmp_path / "own")))


def test_a_condition_is_saved_listed_asked_and_forgotten(own: Programme) -> None:
    run(own, "save", "gear-down-descent", DOWN, "--at-least", "5s", "--note", "for the sink polar")
    assert "gear-down-descent" in run(own, "saved").stdout
    saved = json.loads(run(own, "saved", "--format", "json").stdout)
    note = "for the sink polar"
    kept = {"name": "gear-down-descent", "condition": DOWN, "at_least_s": 5.0, "join_s": 0.0, "note": note}
    assert saved == [kept | {"within": "", "after": "", "before": ""}]
    by_name = run(own, "find", "@gear-down-descent", "--format", "json").stdout
    assert json.loads(by_name) == json.loads(run(own, "find", DOWN, "--at-least", "5s", "--format", "json").stdout)
    run(own, "forget", "@gear-down-descent")
    assert "none yet" in run(own, "saved").stdout


def test_what_narrows_a_question_is_taken_and_saved(own: Programme) -> None:
    narrowed = ("--within", "phase:descent", "--after", "gear_down", "20min")
    run(own, "save", "narrow", DOWN, *narrowed)
    (saved,) = json.loads(run(own, "saved", "--format", "json").stdout)
    assert (saved["within"], saved["after"]) == ("phase:descent", "gear_down 1200 s")
    by_name = run(own, "fetch", "@narrow", "--format", "csv").stdout
    assert by_name == run(own, "fetch", DOWN, *narrowed, "--format", "csv").stdout
    assert 1 < len(by_name.splitlines()) < len(run(own, "fetch", DOWN, "--format", "csv").stdout.splitlines())


def test_check_ends_with_one_when_something_is_wrong(own: Programme) -> None:
    assert "nothing wrong" in run(own, "check").stdout
    frame = next(own.folder.glob("sorties/*/frame.parquet"))
    frame.unlink()
    wrong = run(own, "check", code=1)
    assert "rebuild" in wrong.stdout
    told = json.loads(run(own, "check", "--format", "json", code=1).stdout)
    assert [(one["sortie"], one["place"]) for one in told] == [(frame.parent.name, "frame.parquet")]
    (own.folder / "programme.duckdb").write_bytes(b"")
    run(own, "check", code=1)
