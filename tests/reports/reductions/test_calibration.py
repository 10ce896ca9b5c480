"""Airspeed calibration and wind from turns and legs.

True values: independent simulation (tests/data/sorties, truth files: static source error, wind profile).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.reductions.adoption import correction_rows
from trimshot.reports.reductions.air_legs import AirEstimate
from trimshot.reports.reductions.calibration import (
    CalibrationResult,
    fit_with_excess,
    reduce_calibration,
)
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.sheet import Reference
from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import load_settings, parse_settings
from trimshot.store.position_error import write_position_error
from trimshot.store.programme import Programme, create_programme

KT = 1852 / 3600


@pytest.fixture(scope="module")
def result(eleven: Programme) -> CalibrationResult:
    return reduce_calibration(gather_evidence(eleven, aircraft="SALLOW-R1"))


def test_the_correction_is_that_of_the_simulated_static_source(result: CalibrationResult) -> None:
    (clean,) = [one for one in result.pooled if (one.gear, one.flap) == ("up", "up")]
    assert clean.flights >= 3
    # truth of S250509 and S250511, static source alone: IAS - CAS = -0.64 kt at 100, -0.35 kt at 120
    for indicated, true_correction in ((100.0, 0.64), (120.0, 0.35)):
        band = clean.at(indicated * KT)
        assert band.holds(true_correction * KT)
        assert band.value == pytest.approx(true_correction * KT, abs=0.005 * indicated * KT)  # half a percent
        assert band.half_width < 1.0 * KT


def test_nothing_is_said_outside_the_measured_speeds(result: CalibrationResult) -> None:
    (clean,) = [one for one in result.pooled if (one.gear, one.flap) == ("up", "up")]
    assert not clean.at(60 * KT).is_known
    assert not clean.at(170 * KT).is_known


def test_winds_are_the_simulated_ones(result: CalibrationResult) -> None:
    legs = [one for one in result.estimates if one.kind == "legs" and "speed_box" in one.sortie]
    assert len(legs) == 3
    # truth of S250511-06: wind 19.746 kt from 106.77 at 6,000 ft, 24.218 kt from 108.84 at 10,000 ft
    for one in legs:
        height_ft = one.pressure_altitude / 0.3048
        speed = np.interp(height_ft, [6000, 10000], [19.746, 24.218])
        assert one.wind_speed / KT == pytest.approx(float(speed), abs=1.0)
        assert np.degrees(one.wind_direction) == pytest.approx(107.2, abs=2.0)


def test_every_turn_of_a_circle_is_used_or_left_out_with_its_reason(
    eleven: Programme, result: CalibrationResult
) -> None:
    turns = eleven.manoeuvres(kind="turn")
    full = [
        t
        for t in turns.to_dict("records")
        if abs(t["facts"]["heading_change"]) >= np.radians(330) and t["sortie"].startswith("S")
    ]
    used = {(one.sortie, one.origin[0].start_s) for one in result.estimates if one.kind == "turn"}
    told = {
        (one.reference.sortie, one.reference.start_s)
        for one in result.left_out
        if one.reference and one.what.startswith("turn")
    }
    assert {(t["sortie"], float(t["start_s"])) for t in full} == used | told
    assert all(one.reason for one in result.left_out)


def test_two_aircraft_are_never_pooled(eleven: Programme) -> None:
    with pytest.raises(SettingsError, match="several aircraft"):
        gather_evidence(eleven)
    evidence = gather_evidence(eleven, aircraft="tussock u1")
    assert {name[0] for name in evidence.sorties} == {"T"}
    assert len(evidence.left_out) == 8


def _estimate(sortie: str, speed: float, scale: float, error: float) -> AirEstimate:
    where = (Reference(sortie, None, 0.0, 100.0),)
    return AirEstimate(
        "turn", where, "2025-05-06", "up", "up", speed, speed, 288.15, 1000.0, scale, error, 5.0, 1.0, 0.2, 0.2, 12
    )


def test_a_flight_with_a_leak_is_told(monkeypatch: pytest.MonkeyPatch, eleven: Programme) -> None:
    random = np.random.default_rng(4)
    good = [
        _estimate(f"F{day}", 55.0 + day, 1.004 + random.normal(0, 0.001), 0.001)
        for day in range(1, 6)
        for _ in range(3)
    ]
    leaking = [_estimate("F9", 57.0, 1.03 + random.normal(0, 0.001), 0.001) for _ in range(3)]
    module = "trimshot.reports.reductions.calibration.find_air_estimates"
    evidence = gather_evidence(eleven, aircraft="SALLOW-R1")
    monkeypatch.setattr(module, lambda _: ((*good, *leaking), ()))
    alarms = {one.sortie for one in reduce_calibration(evidence).flights if one.alarm}
    assert alarms == {"F9"}
    monkeypatch.setattr(module, lambda _: (tuple(good), ()))
    assert not any(one.alarm for one in reduce_calibration(evidence).flights)


def test_scatter_beyond_the_errors_widens_the_answer() -> None:
    x = np.zeros(8)
    y = np.array([1.0, -1.0] * 4)
    # eight values of +-1: standard error of the mean is sqrt(8/7)/sqrt(8) = 0.378 whatever small errors they claim
    level, covariance = fit_with_excess(x, y, np.full(8, 0.01), with_line=False)
    assert level[0] == pytest.approx(0.0, abs=1e-9)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.378, rel=0.03)


def test_no_flights_give_a_sheet_that_says_what_is_missing(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "p")
    evidence = Evidence(programme, programme.settings, None, (), pd.DataFrame({"kind": []}))
    empty = reduce_calibration(evidence)
    assert empty.estimates == () and empty.pooled == ()
    with pytest.raises(SettingsError, match="no airspeed correction"):
        correction_rows(empty, programme.settings)
    told = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "reduce", "calibration"])
    assert told.exit_code == 0, told.output
    assert "missing:" in told.output


def test_rows_written_back_hold_what_was_measured_and_what_stood_there(
    tmp_path: Path, result: CalibrationResult
) -> None:
    programme = create_programme(tmp_path / "p")
    settings = parse_settings('[[aircraft.position_error]]\nindicated = "0 kt"\ncorrection = "1 kt"\n', "t")
    rows = correction_rows(result, settings)
    (clean,) = [one for one in result.pooled if (one.gear, one.flap) == ("up", "up")]
    for row in rows:
        assert row.correction == pytest.approx(1 * KT + clean.at(row.indicated + 1 * KT).value, abs=0.02)
    before = (programme.folder / "settings.toml").read_text(encoding="utf-8")
    assert write_position_error(programme.folder, [(r.indicated, r.correction) for r in rows], unit="kt") == 0
    written = load_settings(programme.folder / "settings.toml").aircraft.position_error
    assert [float(r.indicated) for r in written] == pytest.approx([r.indicated for r in rows], abs=0.005 * KT)
    assert [float(r.correction) for r in written] == pytest.approx([r.correction for r in rows], abs=0.005 * KT)
    text = (programme.folder / "settings.toml").read_text(encoding="utf-8")
    assert all(line in text for line in before.splitlines() if line.startswith("#"))
    assert write_position_error(programme.folder, [(50.0, 1.0)], unit="kt") == len(rows)


def test_the_page_and_the_json_tell_the_same(eleven: Programme, tmp_path: Path) -> None:
    command = ["--programme", str(eleven.folder), "reduce", "calibration", "--aircraft", "SALLOW-R1"]
    page = tmp_path / "page.html"
    done = CliRunner().invoke(trimshot, [*command, "--format", "json", "--page", str(page)])
    assert done.exit_code == 0, done.output
    context = json.loads(done.stdout)
    html = page.read_text(encoding="utf-8")
    assert html.count("<svg") == len(context["figures"]) == 1
    for text in context["statements"]:
        assert text in html
    correction = context["tables"][0]
    assert correction["columns"][-1]["unit"] == "kt"
    assert all(row[-1]["text"] in html for row in correction["rows"])
    again = tmp_path / "again.html"
    CliRunner().invoke(trimshot, [*command, "--page", str(again)])
    assert again.read_bytes() == page.read_bytes()
