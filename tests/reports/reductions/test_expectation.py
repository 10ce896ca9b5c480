"""What a planned glide should show.

True values: independent simulation (tests/data/sorties, truth of aircraft_sallow_r1: steady glides gear down, on the fine stop).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.coverage.programmes import KT, make_programme
from trimshot.reports.documents.cards import cards_context
from trimshot.reports.reductions.conditions import FINE_STOP, Condition
from trimshot.reports.reductions.drag import glides_of, reduce_drag, sink_at_standard
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.expectation import expect_glides
from trimshot.shared.physics.atmosphere import standard_density
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

GEAR_DOWN = Condition("glide", "down", "up", "idle", FINE_STOP)
FPM = 0.00508


@pytest.fixture(scope="module")
def retractable(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


@pytest.mark.parametrize(
    # truth: keas, ktas, sigma, sink [ft/min] at 2,411 lb, engine speed [rpm]
    ("equivalent", "true", "density_ratio", "sink", "rpm"),
    [(90.771, 100.825, 0.81053, 1392.2, 1896.6)],
)
def test_sink_and_engine_speed_of_a_glide_that_was_flown_across(
    retractable: Evidence, equivalent: float, true: float, density_ratio: float, sink: float, rpm: float
) -> None:
    found = expect_glides(retractable, [(GEAR_DOWN, equivalent * KT)])
    assert found.mass == pytest.approx(2411 * 0.45359237, rel=0.01)
    ratio = float(standard_density(found.density_altitude)) / 1.225
    told = found.each[0].sink
    assert told.holds(sink * (density_ratio / ratio) ** 0.5 * FPM)
    assert told.half_width < 0.15 * told.value
    turning = expect_glides(retractable, [(GEAR_DOWN, true * ratio**0.5 * KT)]).each[0].engine_speed
    assert turning.holds(rpm / 60)
    assert turning.value * 60 == pytest.approx(rpm, rel=0.03)


def test_nothing_is_told_outside_what_was_measured(retractable: Evidence) -> None:
    (fast, slow, other) = expect_glides(
        retractable,
        [(GEAR_DOWN, 140 * KT), (GEAR_DOWN, 60 * KT), (dataclasses.replace(GEAR_DOWN, flap="half"), 90 * KT)],
    ).each
    for one in (fast, slow, other):
        assert not one.sink.is_known
        assert one.reason.startswith("not measured yet")
    assert "flown at" in fast.reason
    assert not fast.engine_speed.is_known
    heavy = dataclasses.replace(retractable, settings=parse_settings('[aircraft]\nmass = "3000 lb"', "t"))
    (told,) = expect_glides(heavy, [(GEAR_DOWN, 90 * KT)]).each
    assert not told.sink.is_known
    assert told.reason.startswith("not measured yet at 3000")


def test_a_further_flight_falls_into_its_bands_about_as_often_as_they_say() -> None:
    """Made-up programmes of five flights, the last one held back: 95 % bands for single glides."""
    inside = []
    for seed in range(12):
        whole = make_programme(seed, 5, 8)
        last = whole.points["sortie"] == whole.points["sortie"].max()
        drag = reduce_drag(whole)
        density = drag.conditions[0].density
        held_back, _ = glides_of(dataclasses.replace(whole, points=whole.points[last]))
        ratio = (held_back["equivalent_airspeed"] / held_back["true_airspeed"]) ** 2
        held_back = held_back.assign(density_area=density.slope * (drag.density_ratio - ratio))
        before = dataclasses.replace(whole, points=whole.points[~last])
        speed, sink, _ = sink_at_standard(held_back, drag.standard_mass, density_ratio=drag.density_ratio)
        expected = expect_glides(before, list(zip(held_back["condition"], speed, strict=True))).each
        inside += [one.sink.holds(true) for one, true in zip(expected, sink, strict=True) if one.sink.is_known]
    assert len(inside) > 80
    assert np.mean(inside) >= 0.88


def test_cards_tell_what_to_expect(retractable: Evidence) -> None:
    context = cards_context(retractable, 8)
    told = [point["expected"] for card in context["cards"] for point in card["points"]]
    assert told
    assert all("fpm" in one or one.startswith("not measured yet") for one in told)
    assert sum("rpm" in one for one in told) > len(told) / 2
    assert "density altitude" in context["expected_at"]
