"""Every ready-made delimited case: rows, counts, values, units as written, times, findings and their lines.

Expected values are those of the cases' own expected.json (made from known arrays). Codes that need
other files, channel meanings or sensors' physics are decided by later steps and are left out here.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.raw import RawColumn, RawFile, RawTrack
from trimshot.shared.errors import ParseError
from trimshot.shared.settings import InstrumentProfile
from trimshot.shared.units import find_unit

CASES = Path(__file__).parents[2] / "data" / "cases"
LATER_CODES = {
    "TIME_ZONE_UNKNOWN",
    "UNIT_UNKNOWN",
    "CLOCK_OFFSET",
    "CLOCK_DRIFT",
    "GPS_NOT_UTC",
    "DATE_ORDER_FROM_COMPANION",
    "PERIOD_END_STAMP",
    "INT16_WRAP",
    "STUCK_CHANNEL",
    "ALT_DATUM_UNKNOWN",
    "HEADING_REFERENCE_UNKNOWN",
    "EMPTY_FILE",  # the adapter does not claim an empty file; see test_broken
}
ALSO_ALLOWED = {"DATE_ORDER_AMBIGUOUS"}  # settled by a companion in case 33


def _cases() -> list[str]:
    return sorted(
        folder.name
        for folder in CASES.iterdir()
        if (folder / "expected.json").exists() and any(p.suffix == ".csv" for p in folder.iterdir())
    )


def _files(case: str) -> list[Path]:
    return [p for p in sorted((CASES / case).iterdir()) if p.suffix == ".csv" and p.stat().st_size]


def _profile(case: dict[str, Any]) -> InstrumentProfile | None:
    given = case.get("given") or case["expect"].get("given")
    zone = (given or {}).get("zone")
    if case["case"].startswith("38"):
        zone = zone or "America/Denver"  # the zone the case's symptom names
    return InstrumentProfile(zone=zone) if zone else None


@pytest.fixture(params=_cases())
def case(request: pytest.FixtureRequest, read_log: Any) -> tuple[dict[str, Any], list[RawFile]]:
    """One case: its expectation and the readings of its delimited files that are not empty."""
    expected = json.loads((CASES / request.param / "expected.json").read_text(encoding="utf-8"))
    return expected, [read_log(path, _profile(expected)) for path in _files(request.param)]


def _tracks(raws: list[RawFile]) -> list[RawTrack]:
    return [track for raw in raws for track in raw.tracks]


def test_rows_are_those_expected(case: tuple[dict[str, Any], list[RawFile]]) -> None:
    expected, raws = case
    if len(expected["input"]) == len(raws) or "30" in expected["case"]:
        assert sum(len(t.row) for t in _tracks(raws)) == expected["expect"]["rows"]
    else:  # a companion of another format holds the other rows
        assert sum(len(t.row) for t in _tracks(raws)) <= expected["expect"]["rows"]


def _numbers(column: RawColumn) -> tuple[int, Any, Any]:
    if column.values.dtype == object:
        good = [v for v in column.values if v is not None]
        return len(good), good[0], good[-1]
    good = column.values[np.isfinite(column.values)]
    return len(good), float(good[0]), float(good[-1])


def test_columns_hold_the_expected_values(case: tuple[dict[str, Any], list[RawFile]]) -> None:
    expected, raws = case
    for channel in expected["expect"]["channels"].values():
        found = [c for t in _tracks(raws) for c in t.columns if c.header == channel["source"]]
        if expected["kind"] == "folder" and not found:
            continue  # the channel of a companion in another format
        assert found, channel["source"]
        fits = [c for c in found if _fits(c, channel, expected["case"])]
        assert fits, (channel, [_numbers(c) for c in found])


def _fits(column: RawColumn, channel: dict[str, Any], case: str) -> bool:
    count, first, last = _numbers(column)
    if len(column.values) != channel["n"] or count != channel["valid"] or channel["missing"] != channel["n"] - count:
        return False
    if not case.startswith("81"):  # the raw counts there are unwrapped and converted by later steps
        if isinstance(first, float):
            inside = column.values[np.isfinite(column.values)]
            found = (first, last, float(inside.min()), float(inside.max()))
            wanted = tuple(channel[k] for k in ("first_valid", "last_valid", "min", "max"))
            if not np.allclose(found, wanted, rtol=0, atol=1e-12):
                return False
        elif (first, last) != (channel["first_valid"], channel["last_valid"]):
            return False
    return _unit_fits(column, channel["unit"], case)


def _unit_fits(column: RawColumn, unit: str | None, case: str) -> bool:
    if unit is None:
        return column.unit is None
    if case.startswith(("81", "92")):  # decimetres; a heading whose unit the file does not state
        return True
    found, wanted = find_unit(column.unit or "?"), find_unit(unit)
    return found is not None and wanted is not None and found.symbol == wanted.symbol


def test_times_are_those_expected(case: tuple[dict[str, Any], list[RawFile]]) -> None:
    expected, raws = case
    wanted = expected["expect"]["time"]
    tracks = _tracks(raws)
    if wanted is None or len(tracks) != 1:
        return
    time = tracks[0].time
    if time.basis in ("none", "gps"):
        assert expected["case"][:2] in ("32", "33", "40", "44")
        return
    if wanted["basis"] == "elapsed":
        assert time.basis == "elapsed"
        assert (time.seconds[0], time.seconds[-1]) == (wanted["first"], wanted["last"])
    elif wanted["basis"] == "time_of_day_no_date":
        assert time.basis == "time_of_day"
        assert [_clock(s) for s in (time.seconds[0], time.seconds[-1])] == [wanted["first"], wanted["last"]]
    else:
        shift = (time.zone_s or 0.0) if wanted["basis"] == "utc" else 0.0
        assert time.basis == ("local" if shift or wanted["basis"] == "unzoned" else "utc")
        found = [time.seconds[0] - shift, time.seconds[-1] - shift]
        assert found == pytest.approx([_epoch(wanted["first"]), _epoch(wanted["last"])], abs=1e-6)
    assert float(np.median(np.diff(time.seconds))) == pytest.approx(wanted["median_dt_s"], abs=1e-6)
    assert int((np.diff(time.seconds) == 0).sum()) == wanted["duplicates"]


def _clock(seconds: float) -> str:
    return str((dt.datetime(2000, 1, 1) + dt.timedelta(seconds=float(seconds))).time())


def _epoch(text: str) -> float:
    moment = dt.datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)).timestamp()


def test_findings_are_those_expected(case: tuple[dict[str, Any], list[RawFile]]) -> None:
    expected, raws = case
    findings = [finding for raw in raws for finding in raw.findings]
    wanted = [w for w in expected["expect"]["warnings"] if w["code"] not in LATER_CODES]
    error = expected["expect"]["error"]
    if error:
        wanted.append({"code": error["code"], "words": error["message_must_contain"]})
    for warning in wanted:
        found = [f for f in findings if f.code == warning["code"]]
        assert found, warning
        if "count" in warning:
            assert sum(f.count for f in found) == warning["count"], warning
        if warning.get("where", "").startswith(("line", "between", "column", "bytes")):
            assert found[0].where == warning["where"]
        for word in warning.get("words", ()):
            assert word in found[0].text, (word, found[0].text)
    codes = {f.code for f in findings}
    assert codes <= {w["code"] for w in wanted} | ALSO_ALLOWED, codes


def test_preamble_facts_are_kept(read_log: Any) -> None:
    raw = read_log(CASES / "05-preamble-lines" / "log.csv")
    wanted = json.loads((CASES / "05-preamble-lines" / "expected.json").read_text())["expect"]["result"]["preamble"]
    for key, values in wanted.items():
        assert raw.metadata[key] == ", ".join(values)
    assert "flap rigging changed, see card 4" in " ".join(raw.metadata.values())


def test_both_readings_of_an_ambiguous_date_are_offered(read_log: Any) -> None:
    raw = read_log(CASES / "32-day-month-undecidable" / "log.csv")
    finding = next(f for f in raw.findings if f.code == "DATE_ORDER_AMBIGUOUS")
    seconds = raw.tracks[0].time.seconds
    for reading in finding.facts["readings"]:
        assert seconds[0] + reading["shift_s"] == _epoch(reading["first"])
    firsts = {r["order"]: r["first"] for r in finding.facts["readings"]}
    assert firsts == {"dmy": "2031-04-03T09:26:40", "mdy": "2031-03-04T09:26:40"}


@pytest.mark.parametrize(("order", "day"), [("dmy", "2031-04-03"), ("mdy", "2031-03-04")])
def test_the_answer_settles_the_date(read_log: Any, order: Any, day: str) -> None:
    raw = read_log(CASES / "32-day-month-undecidable" / "log.csv", InstrumentProfile(date_order=order))
    assert raw.tracks[0].time.basis == "local"
    assert raw.tracks[0].time.seconds[0] == _epoch(f"{day}T09:26:40Z")
    assert not [f for f in raw.findings if f.level == "fault"]


def test_a_column_without_a_name_is_offered(read_log: Any) -> None:
    raw = read_log(CASES / "03-header-one-name-short" / "log.csv")
    finding = next(f for f in raw.findings if f.code == "HEADER_ROW_WIDTH_MISMATCH")
    assert finding.facts["candidates"][0]["field"] == 4
    assert "1013.2" in finding.facts["candidates"][0]["text"]
    assert {c.header for c in raw.tracks[0].columns} == {f"(unnamed field {k})" for k in range(2, 7)}


def test_spring_gap_fixes_the_offset_of_the_whole_file(read_log: Any) -> None:
    raw = read_log(CASES / "38-dst-gap-clock-did-not-change" / "log.csv", InstrumentProfile(zone="America/Denver"))
    assert raw.tracks[0].time.zone_s == -7 * 3600.0
    finding = next(f for f in raw.findings if f.code == "DST_GAP")
    assert (finding.count, finding.where) == (2, "lines 4-5")


def test_an_empty_file_is_said_to_be_empty(read_log: Any) -> None:
    with pytest.raises(ParseError, match="empty") as caught:
        read_log(CASES / "30-empty-and-header-only-files" / "a_empty.csv")
    assert caught.value.code == "EMPTY_FILE"
