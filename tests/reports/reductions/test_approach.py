"""Approaches without power: predictions tried on the simulated ones, plans, Monte Carlo, refusals."""

from __future__ import annotations

import gzip
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.reports.reductions.approach import ApproachResult, reduce_approach
from trimshot.reports.reductions.approach_height import needed_heights
from trimshot.reports.reductions.approach_plan import plan_approach
from trimshot.reports.reductions.approach_sheet import run
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.shared.errors import SettingsError
from trimshot.store.programme import Programme

TRUTH = Path(__file__).parents[2] / "data" / "truth"
FOOT = 0.3048
LEVELS = {"up": 0.0, "half": 0.5, "full": 1.0}
DOUBT = {"gust": 0.4, "air": 0.02, "airspeed": 0.5, "sink": 0.005, "mass": 0.005}


@pytest.fixture(scope="module")
def sallow(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


@pytest.fixture(scope="module")
def results(eleven: Programme, sallow: Evidence) -> dict[str, ApproachResult]:
    tussock = gather_evidence(eleven, aircraft="TUSSOCK-U1")
    return {"SALLOW-R1": reduce_approach(sallow), "TUSSOCK-U1": reduce_approach(tussock)}


def _asked(evidence: Evidence, **options: float | str) -> ApproachResult:
    return reduce_approach(replace(evidence, options=options))


def _truth(sortie: str) -> Any:
    with gzip.open(TRUTH / f"{sortie}.json.gz", "rt", encoding="utf-8") as file:
        return json.load(file)


def test_whole_approaches_are_predicted_within_eight_percent(results: dict[str, ApproachResult]) -> None:
    for name, result in results.items():
        whole = [t for t in result.trials if t.stretch == "high key to the end"]
        assert len(whole) == 3, name
        assert all(abs(t.error) < 0.08 for t in whole), [(t.sortie, t.error) for t in whole]
        assert not any(t.own_flight for t in whole)
        assert result.trial_spread < 0.06


def test_achieved_height_loss_is_the_simulations(eleven: Programme, results: dict[str, ApproachResult]) -> None:
    # source: height history of the independent simulation, one sample a second; its clock is the sortie's to a second or so
    starts = eleven.sorties().set_index("sortie")["start_utc"]
    for result in results.values():
        for trial in result.trials:
            if trial.stretch != "high key to the end":
                continue
            truth = _truth(trial.sortie)
            offset = truth["start"] - starts[trial.sortie].timestamp()
            heights = np.array(truth["series"]["h_geom_ft"]) * FOOT
            seconds = np.arange(len(heights)) + truth["series"]["t0"] - truth["start"] + offset
            first, last = np.interp([trial.reference.start_s or 0.0, trial.reference.stop_s or 0.0], seconds, heights)
            assert trial.achieved == pytest.approx(first - last, abs=12.0)


def test_the_plan_is_as_flown(results: dict[str, ApproachResult]) -> None:
    plan = results["SALLOW-R1"].plan
    assert plan is not None
    # source: the independent simulation's pilot glides at some 95 kt, comes over the fence at some 78, banks 28 to 30 degrees
    assert plan.speed / (1852 / 3600) == pytest.approx(95.0, abs=2.0)
    assert plan.final_speed / (1852 / 3600) == pytest.approx(78.5, abs=2.5)
    assert np.degrees(plan.bank) == pytest.approx(28.5, abs=2.0)
    assert [(m.device, m.word) for m in plan.schedule] == [("gear", "down"), ("flap", "half"), ("flap", "full")]
    assert plan.start == ("up", "up")


def test_only_the_propeller_state_flown_is_used(results: dict[str, ApproachResult]) -> None:
    result = results["SALLOW-R1"]
    assert result.propeller == "on its fine stop"
    assert sum("other condition" in one.reason for one in result.left_out) == 7  # the clean glides at low engine speed
    assert results["TUSSOCK-U1"].propeller == "as it turns by itself"


def test_idling_is_never_mixed_with_an_engine_that_is_off(sallow: Evidence) -> None:
    points = sallow.points.copy()
    glides = points.index[(points["kind"] == "glide") & (points["gear"] == "down")][:4]
    points.loc[glides, ["power", "propulsion"]] = ["off", "windmilling"]
    result = reduce_approach(replace(sallow, points=points))
    assert result.propulsion == "engine idling"
    assert result.model is not None
    assert len(result.model.used) == 24 - 4
    reasons = [one.reason for one in result.left_out]
    assert reasons.count("the propulsion state was windmilling, not idle") == 4


def test_heights_are_in_order_and_the_same_on_every_run(sallow: Evidence, results: dict[str, ApproachResult]) -> None:
    heights = results["SALLOW-R1"].heights
    again = reduce_approach(sallow).heights
    assert heights is not None
    assert again is not None
    high, low = heights.keys
    assert high.height.value > low.height.value > 0
    assert high.height.low < high.height.value < high.nine_in_ten < high.height.high
    assert [k.height for k in again.keys] == [k.height for k in heights.keys]
    for key in heights.keys:
        assert sum(key.shares.values()) == pytest.approx(1.0)
    assert np.all(np.diff(heights.median) < 0)


def test_the_answer_moves_the_way_it_must(sallow: Evidence, results: dict[str, ApproachResult]) -> None:
    known = results["SALLOW-R1"]
    assert known.model is not None
    model = known.model

    def high_key(**options: float | str) -> float:
        asked = replace(sallow, options={"downwind": 1500.0, **options})
        plan, missing = plan_approach(asked, known.past, known.travels)
        assert plan is not None, missing
        heights = needed_heights(plan, model, levels=LEVELS, travels=known.travels, doubt=DOUBT)
        return heights.keys[0].height.value

    usual = high_key()
    assert high_key(gear_at="low key") < usual  # clean for longer
    assert high_key(flaps_at="full:low key") > usual
    assert high_key(headwind=5.0) > usual  # final against the wind
    assert high_key(density_altitude=3000.0) > usual  # wider turns, faster sink
    assert high_key(bank=np.radians(40.0), abeam=0.0) < high_key(bank=np.radians(25.0), abeam=0.0)


def test_a_wider_doubt_shows_in_its_own_share(results: dict[str, ApproachResult]) -> None:
    result = results["SALLOW-R1"]
    assert result.plan is not None
    assert result.model is not None
    wild = replace(result.plan, spread={**result.plan.spread, "speed": 4.0})
    calm = needed_heights(result.plan, result.model, levels=LEVELS, travels=result.travels, doubt=DOUBT)
    rough = needed_heights(wild, result.model, levels=LEVELS, travels=result.travels, doubt=DOUBT)
    assert rough.keys[0].shares["speed"] > 3 * calm.keys[0].shares["speed"]
    assert rough.keys[0].height.half_width > calm.keys[0].height.half_width


def test_speeds_beyond_those_measured_are_refused(sallow: Evidence) -> None:
    result = _asked(sallow, speed=30.0)
    assert result.heights is None
    assert {leg for leg, *_ in result.speeds_outside} == {"before final"}
    sheet = run(replace(sallow, options={"speed": 30.0}))
    assert any(text.startswith("Not shown: 58.3 kt before final") for text in sheet.statements)


def test_each_configuration_is_held_to_its_own_speeds(sallow: Evidence) -> None:
    # full flap was glided at 74 to 104 kt only: not at 118 kt on base, though gear and flaps up were
    result = _asked(sallow, speed=61.0, flaps_at="full:base", gear_at="low key")
    assert ("before final", ("down", "full")) in [(leg, key) for leg, key, *_ in result.speeds_outside]
    assert ("before final", ("up", "up")) not in [(leg, key) for leg, key, *_ in result.speeds_outside]


def test_mass_beyond_that_measured_is_refused(sallow: Evidence) -> None:
    result = _asked(sallow, mass=1500.0)
    assert result.heights is None
    assert any("mass" in reason for reason in result.refused)


@pytest.mark.parametrize(
    ("options", "told"),
    [({"density_altitude": 9000.0}, "density altitude"), ({"headwind": 35.0}, "wind"), ({"headwind": -35.0}, "wind")],
)
def test_air_beyond_that_measured_and_wind_beyond_sense_are_refused(
    sallow: Evidence, options: dict[str, float | str], told: str
) -> None:
    # glides lie at up to some 13,000 ft (4,000 m) of density altitude
    result = _asked(sallow, **options)
    assert result.heights is None
    assert any(told in reason for reason in result.refused)


def test_without_own_approaches_the_band_is_that_of_untried_predictions(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, sorties=["S250506-01-drag_survey", "S250520-01-drag_survey"])
    result = _asked(evidence, speed=48.0, final_speed=45.0, gear_at="low key", flaps_at="full:base", downwind=1500.0)
    assert result.trials == ()
    assert result.heights is not None
    for key in result.heights.keys:
        assert key.height.half_width > 0.09 * key.height.value  # twice 5 %
        assert key.shares["air"] > 0.2
    sheet = run(replace(evidence, options={"speed": 48.0, "final_speed": 45.0}))
    # the glides were flown above 5,000 ft, sea level is taken
    assert any("were flown in thinner" in text for text in sheet.statements)
    assert any("recorded approach without power" in text for text in sheet.missing)
    assert any(text.startswith("Not validated at any height") for text in sheet.cautions)


def test_a_configuration_never_glided_in_is_refused(eleven: Programme) -> None:
    sorties = [s for s in eleven.sorties()["sortie"] if s.startswith("S25052")]  # no approaches, no half flap glides
    evidence = gather_evidence(eleven, sorties=sorties)
    options: dict[str, float | str] = {
        "speed": 52.0,
        "final_speed": 45.0,
        "gear_at": "low key",
        "flaps_at": "full:base",
    }
    assert _asked(evidence, **options).heights is not None
    clean = evidence.points[evidence.points["gear"] == "up"].reset_index(drop=True)
    result = _asked(replace(evidence, points=clean), **options)
    assert result.heights is None
    assert result.refused or result.missing


@pytest.mark.parametrize("option", [{"gear_at": "somewhere"}, {"flaps_at": "base"}, {"flaps_at": "huge:base"}])
def test_a_schedule_that_cannot_be_read_is_an_error(sallow: Evidence, option: dict[str, float | str]) -> None:
    with pytest.raises(SettingsError, match=next(iter(option))):
        _asked(sallow, **option)


def test_the_sheet_says_how_low_it_was_practised(sallow: Evidence, results: dict[str, ApproachResult]) -> None:
    sheet = run(sallow)
    # source: lowest height of the simulated approaches without power, its go-around marks: 171 ft at the third, still sinking
    lowest = results["SALLOW-R1"].lowest_m / FOOT
    assert 50 < lowest < 171
    assert any(text.startswith("Not validated below") for text in sheet.cautions)
    assert len(sheet.figures) == 2
    assert any("nine of ten" in text for text in sheet.statements)
