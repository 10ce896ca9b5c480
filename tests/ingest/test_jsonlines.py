"""JSON lines and JSON arrays, written with json from known objects and read back.

Run as a module, this file writes the samples anew: python -m tests.ingest.test_jsonlines
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.jsonlines.adapter import JsonLines
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

SAMPLES = Path(__file__).parents[1] / "data" / "samples" / "json-lines"
START = dt.datetime(2031, 3, 14, 9, 26, 40)
START_S = (START - dt.datetime(1970, 1, 1)).total_seconds()
N = 12


def read(tmp_path: Path, content: str | bytes) -> RawFile:
    raw = content.encode() if isinstance(content, str) else content
    path = tmp_path / "log.jsonl"
    path.write_bytes(raw)
    file = LogFile(path, path.name, len(raw), raw[:HEAD_BYTES])
    assert JsonLines().claims(file).yes
    return JsonLines().read(file, None)


def stamp(k: int) -> str:
    return (START + dt.timedelta(seconds=k)).isoformat() + "Z"


def lines(objects: list[Any]) -> str:
    return "".join(json.dumps(o) + "\n" for o in objects)


def samples(count: int = N) -> list[dict[str, Any]]:
    return [{"time": stamp(k), "ias_kt": 95 + k / 4} for k in range(count)]


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def reconciled(raw: RawFile) -> bool:
    ledger = raw.ledger
    return bool(ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values()))


def test_nested_members_short_arrays_and_members_that_come_and_go(tmp_path: Path) -> None:
    objects: list[dict[str, Any]] = [
        {"time": stamp(k), "air": {"ias_kt": 95.5, "temp": {"oat_c": k}}, "acc": [k, 2 * k, 1.0]} for k in range(N)
    ]
    objects[3] = {"time": stamp(3), "gear": "DOWN", "on": True}
    raw = read(tmp_path, lines(objects))
    track = raw.tracks[0]
    assert track.time.basis == "utc" and track.time.seconds[0] == START_S
    assert {(c.header, c.unit) for c in track.columns} >= {("air.ias_kt", "kt"), ("air.temp.oat_c", "c")}
    assert np.isnan(values_of(raw, "air.ias_kt")[3]) and values_of(raw, "acc[1]")[2] == 4.0
    assert values_of(raw, "gear")[2:4].tolist() == [None, "DOWN"] and values_of(raw, "on")[3] == 1.0


def test_bad_lines_are_dropped_with_their_numbers(tmp_path: Path) -> None:
    text = lines(samples()).splitlines()
    text[4], text[7] = text[4][:10], "[1, 2]"
    text.insert(2, "")
    raw = read(tmp_path, "\n".join(text) + "\n")
    assert len(raw.tracks[0].row) == N - 2 and raw.tracks[0].row.tolist()[:3] == [1, 2, 4]
    found = next(f for f in raw.findings if f.code == "ROW_DROPPED")
    assert found.count == 2 and found.where == "lines 6, 9"
    assert raw.ledger["not_rows"] == {"blank": 1} and reconciled(raw)
    assert [line for line, _, _ in raw.ledger["dropped_lines"]] == [6, 9]


@pytest.mark.parametrize("complete", [True, False])
def test_the_last_line_is_kept_when_it_is_whole(tmp_path: Path, complete: bool) -> None:
    text = lines(samples()).rstrip("\n")
    raw = read(tmp_path, text if complete else text[:-5])
    assert len(raw.tracks[0].row) == N - (not complete)
    assert ("TRUNCATED_LAST_LINE" in {f.code for f in raw.findings}) is not complete
    assert reconciled(raw)


@pytest.mark.parametrize("indent", [None, 1])
@pytest.mark.parametrize("cut", [0, 30])
def test_an_array_of_objects(tmp_path: Path, indent: int | None, cut: int) -> None:
    text = json.dumps(samples(), indent=indent)
    raw = read(tmp_path, text[: len(text) - cut])
    assert len(raw.tracks[0].row) == N - bool(cut) and reconciled(raw)


def test_a_document_around_the_samples(tmp_path: Path) -> None:
    rows = [{"t": k / 4, "ias": 95 + k} for k in range(N)]
    document = {"recorder": "sample", "start": "2031-03-14T09:26:40Z", "units": {"ias": "kt", "t": "s"}, "data": rows}
    track = read(tmp_path, json.dumps(document)).tracks[0]
    assert track.time.basis == "elapsed" and track.time.start == START.replace(tzinfo=dt.UTC)
    assert [(c.header, c.unit) for c in track.columns] == [("ias", "kt")]


def test_a_start_told_in_an_object_beside_the_samples(tmp_path: Path) -> None:
    rows = [{"t_s": k / 4, "ias_kt": 95 + k} for k in range(N)]
    document = {"meta": {"recorder": {"start": "2031-03-14T09:26:40Z"}}, "samples": rows}
    assert read(tmp_path, json.dumps(document)).tracks[0].time.start == START.replace(tzinfo=dt.UTC)


def test_a_document_of_columns(tmp_path: Path) -> None:
    document = {"t_s": [k / 4 for k in range(N)], "ias_kt": list(range(N)), "odd": [1, 2], "units": {}}
    raw = read(tmp_path, json.dumps(document, indent=2))
    assert values_of(raw, "ias_kt").tolist() == list(range(N))
    assert [c.header for c in raw.tracks[0].columns] == ["ias_kt"]


def test_epoch_in_milliseconds(tmp_path: Path) -> None:
    rows = [{"ts": int((START_S + k) * 1000), "rpm": 2300 + k} for k in range(N)]
    raw = read(tmp_path, lines(rows))
    assert raw.tracks[0].time.seconds.tolist() == [START_S + k for k in range(N)]
    assert "EPOCH_UNIT_INFERRED" in {f.code for f in raw.findings}


def test_numbers_and_words_in_one_member(tmp_path: Path) -> None:
    rows = [{"time": stamp(k), "oil": "---" if k == 2 else 80.5 + k} for k in range(N)]
    values = values_of(read(tmp_path, lines(rows)), "oil")
    assert np.isnan(values[2]) and values[3] == 83.5


def test_other_encodings(tmp_path: Path) -> None:
    rows = [{"time": stamp(k), "Öl [°C]": 80 + k} for k in range(N)]
    text = "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)
    for coding in ("utf-8-sig", "utf-16", "cp1252"):
        assert values_of(read(tmp_path, text.encode(coding)), "Öl [°C]")[1] == 81


def test_without_time_or_objects_it_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClockError):
        read(tmp_path, lines([{"a": 3}, {"a": 1}, {"a": 2}]))
    with pytest.raises(ParseError):
        read(tmp_path, '{"a": ')


@pytest.mark.parametrize("head", [b"[table]\nkey = 1\n", b"a,b\n1,2\n", b"[1, 2]\n", b"<x/>"])
def test_other_text_is_not_claimed(head: bytes) -> None:
    assert not JsonLines().claims(LogFile(Path("x"), "x", len(head), head)).yes


@settings(max_examples=100, deadline=None)
@given(start=st.sampled_from(['{"', '[{"', '{"a":1}\n']), noise=st.text(max_size=100))
def test_noise_behind_a_good_start_gives_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, start: str, noise: str
) -> None:
    try:
        raw = read(tmp_path_factory.mktemp("noise"), start + noise)
    except TrimshotError:
        return
    assert reconciled(raw)


@settings(max_examples=50, deadline=None)
@given(table=st.lists(st.lists(st.floats(-900, 900), min_size=N, max_size=N), min_size=1, max_size=4))
def test_any_numbers_come_back(tmp_path_factory: pytest.TempPathFactory, table: list[list[float]]) -> None:
    rows = [{"time": stamp(k), **{f"q {i}": v[k] for i, v in enumerate(table)}} for k in range(N)]
    raw = read(tmp_path_factory.mktemp("any"), lines(rows))
    for i, values in enumerate(table):
        assert values_of(raw, f"q {i}").tolist() == values


def write_samples() -> None:
    """Lines with nested members, one of them broken; and a document around an array."""
    SAMPLES.mkdir(parents=True, exist_ok=True)
    rows: list[Any] = [
        {"utc": stamp(k), "air": {"ias_kt": 95 + k % 3 / 4, "palt_ft": 6000 - 5 * k}, "gear": "UP" if k < 8 else "DOWN"}
        for k in range(15)
    ]
    text = lines(rows).splitlines(keepends=True)
    text[5] = text[5][:30] + "\n"
    (SAMPLES / "display.jsonl").write_text("".join(text), encoding="utf-8")
    engine = [{"t": k / 2, "rpm": 2300 + k % 4, "map": 22.5 + k / 10} for k in range(16)]
    document = {
        "recorder": "sample",
        "start": "2031-03-14T09:26:40Z",
        "units": {"t": "s", "rpm": "1/min", "map": "inHg"},
    }
    (SAMPLES / "engine.json").write_text(json.dumps({**document, "samples": engine}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_samples()
