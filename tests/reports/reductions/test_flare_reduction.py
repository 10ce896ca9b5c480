"""The flare from measured glides: figures against the relations worked from the simulation's glide, and what is not shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.flare import FlareResult, reduce_flare
from trimshot.reports.reductions.flare_sheet import run
from trimshot.shared.errors import SettingsError
from trimshot.store.programme import Programme

KNOT, FPM, FOOT = 1852 / 3600, 0.3048 / 60, 0.3048


@pytest.fixture(scope="module")
def evidence(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


@pytest.fixture(scope="module")
def result(evidence: Evidence) -> FlareResult:
    return reduce_flare(replace(evidence, options={"speed": 85.0 * KNOT}))


def test_figures_follow_from_the_simulations_glide(result: FlareResult) -> None:
    # source: independent simulation, landing configuration at 85.03 KEAS: 93.275 KTAS, 2034.8 ft/min, so sin = 0.2154;
    # at sea level the same angle, and near the ground the idling propeller brakes a little less
    angle = np.arcsin(2034.784 * FPM / (93.275 * KNOT))
    speed = 85.0 * KNOT
    assert result.configuration == ("down", "full")
    assert result.path_angle.value == pytest.approx(angle, rel=0.08)
    assert result.height.value == pytest.approx((speed * angle) ** 2 / (2 * 9.80665 * 0.25), rel=0.16)
    assert result.time.value == pytest.approx(speed * angle / (9.80665 * 0.25), rel=0.08)
    assert result.speed_after.value == pytest.approx(result.speed - result.speed_lost.value, abs=1e-6)


def test_a_gentler_pull_takes_more_height(evidence: Evidence, result: FlareResult) -> None:
    gentle = reduce_flare(replace(evidence, options={"speed": 85.0 * KNOT, "load_factor": 1.1}))
    assert gentle.height.value == pytest.approx(2.5 * result.height.value, rel=1e-6)  # 0.25 / 0.10
    assert gentle.speed_lost.value > result.speed_lost.value


def test_lift_left_is_the_square_of_the_speeds(result: FlareResult, evidence: Evidence) -> None:
    stalled = result.stall_speed.value
    assert result.margin.value == pytest.approx((result.speed_after.value / stalled) ** 2 / 1.25, rel=0.02)
    assert result.margin.low < result.margin.value < result.margin.high


@pytest.mark.parametrize("load", [1.0, 0.8, 2.5])
def test_a_pull_that_is_none_is_an_error(evidence: Evidence, load: float) -> None:
    with pytest.raises(SettingsError, match="load_factor"):
        reduce_flare(replace(evidence, options={"load_factor": load}))


def test_without_stalls_the_lift_left_is_not_shown(eleven: Programme) -> None:
    sorties = ["S250506-01-drag_survey", "S250507-02-patterns"]
    sheet = run(gather_evidence(eleven, sorties=sorties))
    told = reduce_flare(gather_evidence(eleven, sorties=sorties))
    assert told.height.is_known
    assert not told.margin.is_known
    assert any(text.startswith("Not shown: what lift is left") and "no stall" in text for text in sheet.statements)


def test_a_speed_not_measured_is_refused(evidence: Evidence) -> None:
    told = reduce_flare(replace(evidence, options={"speed": 60.0 * KNOT}))
    assert not told.height.is_known
    assert told.speed_outside is not None
    sheet = run(replace(evidence, options={"speed": 60.0 * KNOT}))
    assert any("60.0 kt lies outside the speeds measured" in text for text in sheet.statements)


def test_recorded_flares_are_compared(result: FlareResult) -> None:
    assert len(result.trials) >= 4
    for trial in result.trials:
        assert trial.arc_load_factor > 1.0
        # heights of the last metres are known to two or three metres
        assert trial.predicted_height == pytest.approx(trial.measured_height, abs=4.5)


def test_the_sheet_is_never_a_verdict(evidence: Evidence) -> None:
    sheet = run(evidence)
    words = " ".join((*sheet.statements, *sheet.cautions)).lower()
    assert "never a go or no-go" in words
    assert not any(word in words for word in ("safe", "cleared", "approved", "sufficient", "enough"))
