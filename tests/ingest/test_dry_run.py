"""The dry run: plain JSON, nothing written, never an exception for what files hold."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trimshot.ingest.dry_run import describe, plain, show_time
from trimshot.shared.codes import CODES
from trimshot.shared.settings import InstrumentProfile, Settings

LOG = """utc,ias_kt,alt,heading
2031-03-14T09:26:40Z,95.0,5000,170
2031-03-14T09:26:41Z,95.5,4990,171
2031-03-14T09:26:42Z,,4980,172
2031-03-14T09:26:50Z,96.0,4970,173
"""


def written(tmp_path: Path, **files: str) -> Path:
    folder = tmp_path / "sortie"
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def before_and_after(folder: Path) -> tuple[dict[str, Any], bool]:
    def state() -> list[tuple[str, int, int]]:
        return sorted((str(p), p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*"))

    first = state()
    result = describe(folder)
    return result, state() == first


def test_values_are_as_written_and_nothing_is_written(tmp_path: Path) -> None:
    result, untouched = before_and_after(written(tmp_path, log=LOG))
    assert untouched
    channel = result["channels"]["indicated_airspeed"]
    assert channel["source"] == "ias_kt"
    assert channel["unit"] == "kt"
    assert (channel["n"], channel["valid"], channel["missing"]) == (4, 3, 1)
    assert (channel["first_valid"], channel["last_valid"], channel["min"], channel["max"]) == (95.0, 96.0, 95.0, 96.0)
    assert result["rows"] == 4
    time = result["time"]
    assert (time["first"], time["last"]) == ("2031-03-14T09:26:40Z", "2031-03-14T09:26:50Z")
    assert time["gaps"] == [{"after": "2031-03-14T09:26:42Z", "length_s": 8.0}]
    assert json.loads(json.dumps(result)) == result
    assert {f["code"] for f in result["findings"]} <= set(CODES)


def test_a_profile_answers_what_was_asked(tmp_path: Path) -> None:
    folder = written(tmp_path, log=LOG)
    (layout,) = describe(folder)["files"][0]["instrument"]
    profile = InstrumentProfile(units={"alt": "ft"}, altitude_datum="pressure", heading_reference="magnetic")
    channels = describe(folder, Settings(instruments={layout: profile}))["channels"]
    assert channels["pressure_altitude"]["unit"] == "ft"
    assert "heading_magnetic" in channels


def test_single_file(tmp_path: Path) -> None:
    folder = written(tmp_path, log=LOG)
    assert describe(folder / "log.csv")["rows"] == 4


@pytest.mark.parametrize("content", [b"", b"   \n\n", bytes(range(256)) * 20, b"a,b,c\n", b"\xff\xfe", b"{]}[[<<>>"])
def test_unusable_file_is_an_answer_not_an_exception(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "odd.csv"
    file.write_bytes(content)
    result = describe(file)
    assert result["outcome"] == "error"
    assert result["error"]["message"]
    assert result["rows"] == 0
    json.dumps(result)


def test_missing_path(tmp_path: Path) -> None:
    result = describe(tmp_path / "nowhere")
    assert result["outcome"] == "error"
    assert "nowhere" in result["error"]["message"]


def test_one_channel_in_two_files_is_told_apart(tmp_path: Path) -> None:
    result = describe(written(tmp_path, a=LOG, b=LOG.replace("95.0", "90.0")))
    names = [name for name in result["channels"] if name.startswith("indicated_airspeed")]
    assert names == ["indicated_airspeed", "indicated_airspeed (b.csv)"]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400))
def test_any_bytes_give_an_answer(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "any.csv"
    file.write_bytes(content)
    assert describe(file)["outcome"] in ("ok", "ok_with_findings", "needs_answer", "error")


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, len(LOG) - 1), st.text(alphabet=",;\"'\n0Az-: \t", max_size=3))
def test_any_damage_to_a_good_log_gives_an_answer(tmp_path: Path, place: int, put: str) -> None:
    file = tmp_path / "damaged.csv"
    file.write_text(LOG[:place] + put + LOG[place + 1 :], encoding="utf-8")
    result = describe(file)
    for one in result["files"]:
        ledger = one["ledger"]
        if "rows_in" in ledger:
            accounted = ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())
            assert ledger["rows_in"] == accounted


def test_plain_values() -> None:
    given = {"a": np.float64(1.5), "b": np.nan, "c": (np.int64(2), None), "d": Path("x"), 3: True}
    assert plain(given) == {"a": 1.5, "b": None, "c": [2, None], "d": "x", "3": True}


def test_times_as_people_write_them() -> None:
    assert show_time(0.5, "utc") == "1970-01-01T00:00:00.500000Z"
    assert show_time(0.0, "unzoned") == "1970-01-01T00:00:00"
    assert show_time(34000.0, "time_of_day_no_date") == "09:26:40"
    assert show_time(3.0, "elapsed") == 3.0
