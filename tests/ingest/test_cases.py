"""Files that break readers, each with the right answer: the whole way from a folder to the dry run's JSON.

Expected answers come from each case's expected.json: inputs made from known arrays, answers written
down with them. A case is one sortie folder holding its inputs.
"""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.dry_run import describe
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.frame import frame_columns, sample_column
from trimshot.shared.recording import Recording
from trimshot.shared.settings import InstrumentProfile, Settings
from trimshot.shared.units import find_unit, from_si, to_si

DATA = Path(__file__).parents[1] / "data"
CASES, OURS = DATA / "cases", DATA / "cases_ours"  # given ones, and those of tests/casewriter
FOLDERS = {f.name: f for place in (CASES, OURS) for f in sorted(place.iterdir()) if (f / "expected.json").exists()}
NAMES = list(FOLDERS)

# true of many cases beside what they are about: an altitude called only 'alt', short logs without a
# shared channel, an id column
BESIDE = {
    "ALT_DATUM_UNKNOWN",
    "CHANNEL_INFERRED",
    "CHANNEL_UNNAMED",
    "CLOCK_UNRESOLVED",
    "DERIVED",
    "HEADING_REFERENCE_UNKNOWN",
    "QUANTISED",
    "UNIT_INFERRED",
    "UNIT_UNKNOWN",
    "ZONE_FROM_COMPANION",
}

# where the expected answer and the agreed way part, each with its reason
AGREED = {
    # the two inputs hold eight rows each; the case counts the recorder's alone
    "33-day-month-settled-by-companion": {"rows 16, expected 8"},
    # the file has no HFALG record: whether its satellite altitude is above sea level or the ellipsoid is not stated
    "64-igc-midnight-crossing": {"gnss_alt: channel gnss_unnamed_altitude, expected gnss_altitude"},
}

_OUTCOMES = {"ok_with_warnings": "ok_with_findings"}


def load(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((FOLDERS[name] / "expected.json").read_text(encoding="utf-8"))
    return loaded


def copied(name: str, case: Mapping[str, Any], tmp_path: Path) -> Path:
    folder = tmp_path / "sortie"
    folder.mkdir()
    for file in case["input"]:
        shutil.copy(FOLDERS[name] / file, folder / file)
    return folder


def described(name: str, tmp_path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """(the case, what the dry run says), with the facts the case hands in answered by a profile."""
    case = load(name)
    folder = copied(name, case, tmp_path)
    result = describe(folder)
    given = case.get("given") or {}
    if "zone" in given:
        layouts = [layout for file in result["files"] for layout in file["instrument"]]
        profiles = {layout: InstrumentProfile(zone=given["zone"]) for layout in layouts}
        result = describe(folder, Settings(instruments=profiles))
    if case["expect"].get("needs") == "year":  # the time code holds none; the answer comes from the user
        layouts = [layout for file in result["files"] for layout in file["instrument"]]
        year = int(case["expect"]["time"]["first"][:4])
        result = describe(folder, Settings(instruments={layout: InstrumentProfile(year=year) for layout in layouts}))
    json.dumps(result)
    return case, result


@pytest.mark.parametrize("name", NAMES)
def test_case(name: str, tmp_path: Path) -> None:
    case, result = described(name, tmp_path)
    assert set(differences(case["expect"], result)) == AGREED.get(name, set())


def differences(expect: Mapping[str, Any], result: Mapping[str, Any]) -> list[str]:
    """Everything in which the answer is not the expected one, in words."""
    out = []
    outcome = _OUTCOMES.get(expect["outcome"], expect["outcome"])
    if result["outcome"] != outcome:
        out.append(f"outcome {result['outcome']}, expected {outcome}")
    if result["rows"] != expect["rows"]:
        out.append(f"rows {result['rows']}, expected {expect['rows']}")
    for name, channel in expect["channels"].items():
        out += _channel_differences(name, channel, result["channels"])
    out += _time_differences(expect["time"], result)
    for code in {w["code"] for w in expect["warnings"]}:
        out += _finding_differences(code, [w for w in expect["warnings"] if w["code"] == code], result)
    wanted = {w["code"] for w in expect["warnings"]} | {(expect["error"] or {}).get("code")}
    extra = {f["code"] for f in result["findings"]} - wanted - BESIDE
    if extra:
        out.append(f"findings nobody asked for: {sorted(extra)}")
    return out + _error_differences(expect["error"], result["error"])


def _channel_differences(name: str, expect: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    tries = [
        _one_channel(key, expect, channel) for key, channel in found.items() if channel["source"] == expect["source"]
    ]
    if not tries:
        return [f"{name}: no channel from {expect['source']!r}; there are {[c['source'] for c in found.values()]}"]
    best = min(tries, key=len)
    return [f"{name}: {difference}" for difference in best]


def _one_channel(key: str, expect: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    out = []
    mine, theirs = found["unit"], expect["unit"]
    if theirs is None and mine not in (None, "1"):
        out.append(f"unit {mine}, expected to be unknown")
    if theirs is not None and (mine is None or find_unit(mine).kind != find_unit(theirs).kind):  # type: ignore[union-attr]
        out.append(f"unit {mine}, expected {theirs}")
    if "canonical" in expect and key.split(" (")[0] != expect["canonical"]:
        out.append(f"channel {key}, expected {expect['canonical']}")
    for fact in ("n", "valid", "missing", "first_valid", "last_valid", "min", "max"):
        value = found[fact]
        if fact in expect and not out and not _same(_in_unit(value, mine, theirs), expect[fact]):
            out.append(f"{fact} {value}, expected {expect[fact]}")
    return out


def _in_unit(value: Any, mine: str | None, theirs: str | None) -> Any:
    if isinstance(value, float) and mine is not None and theirs is not None and mine != theirs:
        return from_si(to_si(value, mine), theirs)
    return value


def _same(found: Any, expected: Any) -> bool:
    if isinstance(expected, str) or found is None:
        return bool(found == expected)
    return bool(found == pytest.approx(expected, rel=1e-9, abs=1e-9))


def _time_differences(expect: Mapping[str, Any] | None, result: Mapping[str, Any]) -> list[str]:
    if expect is None:
        return []
    tables = [time for file in result["files"] for time in file["time"]]
    tries = [_one_time(expect, time) for time in (result["time"], *tables) if time is not None]
    return min(tries, key=len) if tries else ["no time"]


def _one_time(expect: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    exact = ("basis", "n", "duplicates", "monotonic_after_repair")
    wrong = [fact for fact in exact if found[fact] != expect[fact]]
    wrong += [fact for fact in ("first", "last") if not _same_stamp(found[fact], expect[fact])]
    out = [f"time {fact} {found[fact]}, expected {expect[fact]}" for fact in wrong]
    if found["median_dt_s"] != pytest.approx(expect["median_dt_s"], abs=2e-6):
        out.append(f"time step {found['median_dt_s']}, expected {expect['median_dt_s']}")
    gaps = [(g["after"], g["length_s"]) for g in found["gaps"]]
    if gaps != [(g["after"], g["length_s"]) for g in expect["gaps"]]:
        out.append(f"gaps {gaps}, expected {expect['gaps']}")
    return out


def _same_stamp(found: Any, expected: Any) -> bool:
    """Equal to a microsecond; trailing zeros of the fraction say nothing."""
    if not isinstance(expected, str):
        return bool(found == expected)
    cut = re.compile(r"\.(\d{1,6})\d*")
    plain = [cut.sub(lambda m: "." + m[1].ljust(6, "0"), s) for s in (str(found), expected)]
    return plain[0].replace(".000000", "") == plain[1].replace(".000000", "")


def _finding_differences(code: str, expect: list[Mapping[str, Any]], result: Mapping[str, Any]) -> list[str]:
    found = [f for f in result["findings"] if f["code"] == code]
    if not found and all(_is_below_resolution(w, result) for w in expect):
        return []
    if not found:
        return [f"no {code}; there are {sorted({f['code'] for f in result['findings']})}"]
    out = []
    count, wanted = sum(f["count"] for f in found), sum(w["count"] for w in expect)
    if count != wanted:
        out.append(f"{code} counted {count}, expected {wanted}")
    for one in expect:
        text = " ".join(f"{f['where']} {f['text']}" for f in found)
        missing = [word for word in _places(one.get("where", "")) if word not in text]
        if missing:
            out.append(f"{code} does not name {missing} (expected {one['where']!r}): {text}")
    return out


def _is_below_resolution(warning: Mapping[str, Any], result: Mapping[str, Any]) -> bool:
    """A drift smaller than its tolerance may honestly be 'not resolved' instead (note of case 51)."""
    if warning["code"] != "CLOCK_DRIFT" or abs(warning["ppm"]) > warning["tolerance"]:
        return False
    offsets = [f["text"] for f in result["findings"] if f["code"] == "CLOCK_OFFSET"]
    return any("drift not resolved" in text for text in offsets)


def _places(where: str) -> list[str]:
    """The line numbers, files and columns a finding has to name."""
    return [w.strip(",") for w in where.replace("-", " ").split() if re.search(r"\d|\.|_", w)]


def _error_differences(expect: Mapping[str, Any] | None, found: Mapping[str, Any] | None) -> list[str]:
    if expect is None:
        return [] if found is None else [f"error {found}, expected none"]
    if found is None:
        return [f"no error, expected {expect['code']}"]
    out = [] if found["code"] == expect["code"] else [f"error {found['code']}, expected {expect['code']}"]
    missing = [word for word in expect["message_must_contain"] if word not in found["message"]]
    return out + ([f"error text lacks {missing}: {found['message']}"] if missing else [])


# -- the derived answers of single cases ----------------------------------------------------------


def result_of(name: str, tmp_path: Path) -> dict[str, Any]:
    return described(name, tmp_path)[1]


def finding(result: Mapping[str, Any], code: str) -> dict[str, Any]:
    (found,) = [f for f in result["findings"] if f["code"] == code]
    assert isinstance(found, dict)
    return found


def recording_of(name: str, tmp_path: Path) -> Recording:
    return read_sortie(copied(name, load(name), tmp_path), Settings())


def test_preamble_is_kept(tmp_path: Path) -> None:
    metadata = json.dumps(result_of("05-preamble-lines", tmp_path)["files"][0]["metadata"])
    for word in ("UNIT-A", "fw 1.07", "X-TEST", "17"):
        assert word in metadata


def test_rows_and_columns_reconcile_with_layout_change(tmp_path: Path) -> None:
    (file,) = result_of("06-layout-change-mid-file", tmp_path)["files"]
    assert file["ledger"]["rows_out"] == 8


def test_epoch_seconds_are_named_units(tmp_path: Path) -> None:
    # 1931246800 s is 2031-03-14T09:26:40Z; one row a second
    recording = recording_of("42-datetime-to-integer-factor-1000", tmp_path)
    assert recording.start_utc.timestamp() == 1931246800
    assert recording.tracks[0].median_step_s == 1.0


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the platform cannot change its zone at run time")
@pytest.mark.parametrize("zone", ["UTC", "America/Denver", "Asia/Kolkata"])
def test_the_computers_zone_changes_nothing(zone: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        recording = recording_of("43-host-zone-changes-the-answer", tmp_path)
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()
    assert recording.start_utc.date().isoformat() == "2031-04-01"


def test_conflicting_stamp_keeps_both_values(tmp_path: Path) -> None:
    found = finding(result_of("48-duplicate-stamps-equal-and-conflicting", tmp_path), "DUPLICATE_TIME_CONFLICT")
    assert "8" in found["where"]


def test_clock_offset_comes_with_its_uncertainty(tmp_path: Path) -> None:
    # the second recorder was made 3.7 s ahead and 180 ppm fast; tolerance of the case 0.3 s
    recording = recording_of("51-two-recorders-offset-and-drift", tmp_path)
    clock = next(s.clock for t in recording.tracks for s in t.sources if s.file == "b.csv")
    assert clock.offset_s == pytest.approx(3.7, abs=0.3)
    assert clock.offset_uncertainty_s is not None and 0 < clock.offset_uncertainty_s <= 0.3


def test_gps_scale_is_found(tmp_path: Path) -> None:
    # a.csv runs on the GPS scale, 18 s ahead of UTC since 2017 (IERS Bulletin C)
    recording = recording_of("40-gps-time-not-utc-18s", tmp_path)
    starts = {t.sources[0].file: t.time_s[0] for t in recording.tracks}
    assert starts["a.csv"] == pytest.approx(starts["b.csv"], abs=0.5)


def test_no_sample_is_invented_between_rates(tmp_path: Path) -> None:
    recording = recording_of("54-one-hertz-and-ten-hertz-off-grid", tmp_path)
    assert sorted(len(t.time_s) for t in recording.tracks) == [10, 100]
    frame = frame_columns(recording, ["pressure_altitude", "normal_load_factor"])
    known = {n: np.isfinite(np.asarray(v, dtype=np.float64)) for n, v in frame.items()}
    assert all(mask.any() for mask in known.values())


def test_wrapped_counter_is_smooth(tmp_path: Path) -> None:
    recording = recording_of("81-sixteen-bit-altitude-wrap", tmp_path)
    (column,) = [c for n, c in recording.tracks[0].columns.items() if "altitude" in n]
    assert np.ptp(np.diff(column.values)) < 1.0
    assert column.values.max() == pytest.approx(3292.0)


def test_mean_heading_through_north(tmp_path: Path) -> None:
    recording = recording_of("82-heading-through-north", tmp_path)
    main = recording.tracks[0]
    at_five = sample_column(main, "unnamed_heading", main.time_s[:1] + 5.0)
    assert np.degrees(np.asarray(at_five, dtype=np.float64)[0]) == pytest.approx(359.5)


def test_interpolation_after_sorting(tmp_path: Path) -> None:
    recording = recording_of("84-interpolating-over-unsorted-time", tmp_path)
    main = recording.tracks[0]
    at = main.time_s[0] + np.array([1.5, 2.5, 3.5])
    knots = np.asarray(sample_column(main, "indicated_airspeed", at), dtype=np.float64) / (1852 / 3600)
    np.testing.assert_allclose(knots, [82.5, 86.5, 92.5], rtol=1e-9)


def test_slope_over_missing_samples(tmp_path: Path) -> None:
    recording = recording_of("85-smoothing-with-missing-samples", tmp_path)
    rate = recording.tracks[0].columns["airspeed_rate"].values / (1852 / 3600)
    known = rate[np.isfinite(rate)]
    assert len(known) >= 18
    assert np.median(known) == pytest.approx(0.1, abs=0.005)


def test_altitudes_are_compared_before_asking(tmp_path: Path) -> None:
    # b less a is 368 ft: a is b's pressure altitude (setting 30.32 inHg) within 2 ft; c changes 1.043 times as much
    result = result_of("91-which-altitude-is-it", tmp_path)
    notes = {
        f["where"]: " ".join(f["facts"]["comparison"]) for f in result["findings"] if f["code"] == "ALT_DATUM_UNKNOWN"
    }
    assert re.search(r"within 0\.\d m of the pressure altitude by the altimeter setting of b\.csv", notes["a.csv"])
    assert "1.04" in notes["c.csv"]
    assert len(result["needs"]) == 2


def test_stuck_temperature_says_what_was_expected(tmp_path: Path) -> None:
    # 1475 ft of descent at 2 degC per 1000 ft: about +2.9 degC
    found = finding(result_of("89-stuck-outside-air-temperature", tmp_path), "STUCK_CHANNEL")
    assert "2.9" in json.dumps(found) or "3.0" in json.dumps(found) or "2.8" in json.dumps(found)
