"""Bands of predicted approaches: what the air leaves in doubt, and how often the bands hold what was flown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.approach import ApproachResult, reduce_approach
from trimshot.reports.reductions.approach_air import Wander, gust_size, height_doubt, wander_of
from trimshot.reports.reductions.approach_sheet import sheet_of
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.store.programme import Programme

SCALE = 533.4  # [m], 1750 ft: MIL-F-8785C, 3.7.2, above 2000 ft
SPEED, STEP, GUST = 48.0, 0.5, 0.8


def _gusts(seconds: float, count: int) -> np.ndarray:
    """Vertical gusts (count, moments) of the Dryden form: correlation exp(-a)(1 - a/2), a in scales flown."""
    time = np.arange(0.0, seconds, STEP)
    apart = np.abs(time[:, None] - time[None, :]) * SPEED / SCALE
    covariance = GUST**2 * np.exp(-apart) * (1 - apart / 2)
    return np.random.default_rng(3).multivariate_normal(np.zeros(len(time)), covariance, size=count, method="eigh")


@pytest.mark.parametrize("seconds", [25.0, 120.0])
def test_the_doubt_of_a_height_is_the_scatter_of_made_up_gusts(seconds: float) -> None:
    gusts = _gusts(seconds, 4000)
    lost = np.trapezoid(gusts, dx=STEP, axis=1)
    doubt = height_doubt(GUST, np.array([SPEED]), np.array([seconds]))[0]
    # gusts along the path change the speed at the ends too: the doubt is theirs as well, some tens of per cent on a short leg
    assert np.std(lost) < doubt < 1.25 * np.std(lost)


def test_gusts_are_told_from_how_the_sink_wanders() -> None:
    time = np.arange(0.0, 120.0, STEP)
    told = []
    for gusts in _gusts(120.0, 200):
        lost = np.concatenate([[0.0], np.cumsum((gusts[1:] + gusts[:-1]) / 2 * STEP)]) + 7.0 * time
        told.append(wander_of(time, lost, rate=np.full(len(time), 6.5), speed=np.full(len(time), SPEED)))
    assert {one.number for one in told} == {4.0}  # five parts of 20 s, the last half second short of a sixth
    # vertical gusts alone: what gusts along the path would add makes the figure smaller by some per cent
    assert 0.75 * GUST < np.sqrt(np.mean([one.variance for one in told])) < 1.05 * GUST


def test_how_far_an_approach_lies_off_as_a_whole_is_no_gust() -> None:
    time = np.arange(0.0, 100.0, STEP)
    steady = wander_of(time, 9.0 * time, rate=np.full(len(time), 7.0), speed=np.full(len(time), SPEED))
    assert steady.variance == pytest.approx(0.0, abs=1e-12)
    short = wander_of(time[:60], 9.0 * time[:60], rate=np.full(60, 7.0), speed=np.full(60, SPEED))
    assert short == Wander(0.0, 0.0)


def test_where_nothing_tells_the_air_an_ordinary_day_s_gusts_are_taken() -> None:
    assert gust_size(pd.DataFrame(), 500.0) == pytest.approx(0.4)  # detect.air_motion: common practice, no source
    rough = pd.DataFrame({"sortie": "A", "pressure_altitude": [500.0] * 20, "vertical_air_motion_deviation": 1.0})
    high = rough.assign(pressure_altitude=4000.0)
    assert 0.9 < gust_size(rough, 500.0) < 1.0
    assert gust_size(high, 500.0) < gust_size(rough, 500.0)
    assert gust_size(rough, 500.0, sortie="B") == pytest.approx(0.4)
    assert gust_size(pd.DataFrame(), 500.0, wanders=[Wander(1.0, 30.0)]) > 0.9


@pytest.fixture(scope="module")
def results(eleven: Programme) -> list[tuple[Evidence, ApproachResult]]:
    both = [gather_evidence(eleven, aircraft=name) for name in ("SALLOW-R1", "TUSSOCK-U1")]
    return [(one, reduce_approach(one)) for one in both]


def test_bands_hold_what_was_flown(results: list[tuple[Evidence, ApproachResult]]) -> None:
    """16 stretches of 6 approaches, independent simulation: at most one may lie outside its 95 % band, and none by half of it."""
    trials = [trial for _, result in results for trial in result.trials]
    assert len(trials) == 16
    assert sum(not one.holds for one in trials) <= 1
    for one in trials:
        assert abs(one.predicted - one.achieved) < 1.5 * one.band.half_width
        assert one.band.half_width < 0.25 * one.achieved


def test_a_short_leg_is_told_worse_for_its_height_than_the_whole(
    results: list[tuple[Evidence, ApproachResult]],
) -> None:
    trials = [trial for _, result in results for trial in result.trials]
    share = {(t.sortie, t.approach_s, t.stretch): t.band.half_width / t.achieved for t in trials}
    for (sortie, at, stretch), own in share.items():
        if stretch == "high key to low key":
            assert own > share[(sortie, at, "high key to the end")]
    for one in trials:
        assert 0 < 2 * one.air < one.band.half_width * 1.1


def test_the_sheet_shows_legs_and_bands(results: list[tuple[Evidence, ApproachResult]]) -> None:
    evidence, result = results[0]
    assert result.heights is not None
    names = [leg.name for leg in result.heights.legs]
    assert names == ["high key to low key", "downwind", "base", "final"]
    total = sum(leg.height.value for leg in result.heights.legs) + result.heights.flare.value
    assert total == pytest.approx(result.heights.keys[0].height.value, rel=0.01)
    sheet = sheet_of(result, evidence.settings)
    tables = {table.title: table for table in sheet.tables}
    assert len(tables["Height lost leg by leg"].rows) == 5
    tried = tables["Predictions tried on recorded approaches"]
    assert all(row[3].low is not None and row[3].high is not None for row in tried.rows)
    assert any("the bands hold 7 of 7" in text for text in sheet.statements)
