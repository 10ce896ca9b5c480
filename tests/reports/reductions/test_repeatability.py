"""Variance components of nests (points in flights in days), and what the drag sheet tells of them.

True values: analyses of variance worked by hand, the classical formulas of the one-way unbalanced classification, and
nests drawn with known components.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from tests.coverage.nests import BALANCED, TRUE, UNBALANCED, drawn_nest
from tests.coverage.programmes import make_programme
from trimshot.reports.reductions.drag import DragResult, reduce_drag
from trimshot.reports.reductions.drag_sheet import sheet_of
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.polar_fit import PolarFit
from trimshot.reports.reductions.repeatability import (
    DAYS,
    FLIGHTS,
    TOGETHER,
    WITHIN,
    Component,
    repeatability_of,
    split,
)
from trimshot.reports.reductions.variance_components import Floats, Nest, components_of, strata_of
from trimshot.shared.settings import Settings
from trimshot.store.programme import Programme


def nest_of(value: list[float] | Floats, flight: list[int], day: list[int]) -> Nest:
    """A nest about one mean, all weights one."""
    values = np.asarray(value, dtype=np.float64)
    return Nest(values, np.ones((len(values), 1)), np.ones(len(values)), np.array(flight), np.array(day))


def test_the_balanced_analysis_of_variance_by_hand() -> None:
    """Two days of two flights of two points, worked by hand.

    Flight means 2, 6, 3, 9; day means 4, 6; mean 5. Points: SS 8 in 4, MS 2. Flights: SS 52 in 2, MS 26, so
    (26 - 2) / 2 = 12. Days: SS 8 in 1, MS 8, so (8 - 26) / 4 = -4.5.
    """
    nest = nest_of([1, 3, 5, 7, 2, 4, 8, 10], [0, 0, 1, 1, 2, 2, 3, 3], [0, 0, 0, 0, 1, 1, 1, 1])
    points, flights, days = strata_of(nest)
    assert [one.rank for one in (points, flights, days)] == [4, 2, 1]
    assert [one.square for one in (points, flights, days)] == pytest.approx([8.0, 52.0, 8.0])
    found = components_of(nest, unit="1", seed=1)
    assert found.variances == pytest.approx([2.0, 12.0, -4.5])
    assert found.deviations[2].value == 0.0  # no standard deviation is made of a negative variance
    assert not found.is_told(2)
    # Satterthwaite: a balanced stratum is a multiple of chi-square with its own degrees of freedom
    assert flights.freedom(np.array([2.0, 12.0, 0.0])) == pytest.approx(2.0)


def test_the_unbalanced_one_way_formula() -> None:
    """Searle, Casella, McCulloch 1992, section 3.6: (SSA - (a - 1) MSE) / (N - sum n^2 / N), here on three flights of one day."""
    groups = [[1.0, 2.5, 2.0, 3.1], [5.0, 4.2], [0.3, 0.9, 1.4]]
    values = np.concatenate(groups)
    within = sum(float(np.sum((np.array(one) - np.mean(one)) ** 2)) for one in groups) / (9 - 3)
    between = sum(len(one) * (np.mean(one) - values.mean()) ** 2 for one in groups)
    expected = (between - 2 * within) / (9 - (16 + 4 + 9) / 9)
    found = components_of(nest_of(values, [0] * 4 + [1] * 2 + [2] * 3, [0] * 9), unit="1", seed=1)
    assert found.variances[:2] == pytest.approx([within, expected])
    assert np.isnan(found.variances[2])
    assert found.degrees == (6, 2, 0)


def test_the_band_within_a_flight_is_that_of_chi_square() -> None:
    """Ten flights of two points: 10 degrees of freedom, whose 2.5 % and 97.5 % quantiles are 3.247 and 20.483 (tables)."""
    random = np.random.default_rng(4)
    nest = nest_of(random.normal(0, 1, 20), [i // 2 for i in range(20)], [0] * 20)
    band = components_of(nest, unit="1", seed=1).deviations[0]
    assert band.low / band.value == pytest.approx((10 / 20.483) ** 0.5, rel=0.02)
    assert band.high / band.value == pytest.approx((10 / 3.247) ** 0.5, rel=0.02)


@pytest.mark.parametrize("sizes", [BALANCED, UNBALANCED], ids=["balanced", "unbalanced"])
def test_known_components_come_back_without_bias_inside_their_bands(sizes: list[list[int]]) -> None:
    random = np.random.default_rng(20)
    nests = [drawn_nest(random, sizes) for _ in range(300)]
    found = [components_of(one, unit="1", seed=number) for number, one in enumerate(nests)]
    variances = np.array([one.variances for one in found])
    error = variances.std(axis=0) / len(found) ** 0.5
    assert np.all(np.abs(variances.mean(axis=0) - np.square(TRUE)) < 3 * error)
    for level, true in enumerate(TRUE):
        held = np.mean([one.deviations[level].holds(true) for one in found])
        assert 0.90 <= held <= 0.995, (level, held)  # 0.95 wanted, Monte Carlo 0.013


def test_what_is_not_there_is_not_told_from_zero() -> None:
    random = np.random.default_rng(7)
    found = [
        components_of(drawn_nest(random, UNBALANCED, deviations=(0.02, 0.0, 0.0)), unit="1", seed=number)
        for number in range(200)
    ]
    for level in (1, 2):
        assert np.mean([one.deviations[level].low == 0.0 for one in found]) > 0.93
    assert any(one.variances[1] < 0 for one in found)


def level(components: tuple[Component, ...], name: str) -> Component:
    (one,) = [one for one in components if one.name == name]
    return one


def test_one_flight_tells_only_what_lies_within_it() -> None:
    found = split(nest_of([1.0, 2.0, 4.0, 3.0], [0] * 4, [0] * 4))
    assert level(found, WITHIN).deviation.value == pytest.approx((5 / 3) ** 0.5)
    assert level(found, FLIGHTS).reason == "1 flight: 3 are needed"
    assert level(found, DAYS).reason == "1 day: 3 are needed"
    assert not level(found, FLIGHTS).deviation.is_known


def test_one_day_tells_its_flights_and_asks_for_days() -> None:
    found = split(nest_of([1.0, 1.1, 4.0, 4.1, 7.0, 7.1], [0, 0, 1, 1, 2, 2], [0] * 6))
    assert level(found, FLIGHTS).is_told_from_zero
    assert level(found, DAYS).reason == "1 day: 3 are needed"


def test_a_flight_a_day_tells_both_together() -> None:
    found = split(nest_of([1.0, 1.1, 4.0, 4.1, 7.0, 7.1], [0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 2, 2]))
    assert level(found, FLIGHTS).reason
    assert level(found, DAYS).reason
    # by hand: MS of flights 2 (3^2 + 3^2) / 2 = 18, of points 3 * 0.005 / 3 = 0.005
    assert level(found, TOGETHER).variance == pytest.approx((18 - 0.005) / 2)


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_points_tell_nothing(count: int) -> None:
    found = split(nest_of([1.0, 2.0][:count], [0] * count, [0] * count))
    assert all(one.reason and not one.deviation.is_known for one in found)


def only(evidence: Evidence, keep: Callable[[Evidence], object]) -> Evidence:
    return dataclasses.replace(evidence, points=evidence.points[keep(evidence)].reset_index(drop=True))


def with_effects(evidence: Evidence, random: np.random.Generator, *, flights: float, days: float) -> Evidence:
    """Glides whose sink, so whose drag area, each flight and each day makes larger by a share of its own."""
    points, factor = evidence.points, np.ones(len(evidence.points))
    for column, size in (("sortie", flights), ("day", days)):
        effect = {name: 1 + random.normal(0, size) for name in sorted(set(points[column]))}
        factor *= points[column].map(effect).to_numpy(dtype=np.float64)
    return dataclasses.replace(evidence, points=points.assign(sink_rate=points["sink_rate"] * factor))


def test_flights_and_days_with_a_drag_of_their_own_are_seen_through_the_polars() -> None:
    """Made-up glides of two conditions, eight flights on four days, drag off by 3 % a flight and 2 % a day (standard deviations)."""
    random = np.random.default_rng(5)
    variances = []
    for seed in range(30):
        evidence = make_programme(seed, 8, 8, flight_effect=0.0)
        found = repeatability_of(reduce_drag(with_effects(evidence, random, flights=0.03, days=0.02)))
        assert found is not None
        assert (found.points, found.flights, found.days) == (64, 8, 4)
        variances.append([level(found.components, FLIGHTS).variance, level(found.components, DAYS).variance])
    spread = np.std(variances, axis=0) / len(variances) ** 0.5
    assert np.all(np.abs(np.mean(variances, axis=0) - [0.03**2, 0.02**2]) < 3 * spread)
    assert spread[0] < 0.25 * 0.03**2  # or the line above could not fail


def test_more_flights_narrow_the_scatter_and_not_what_lasts() -> None:
    """A flight a day, all alike in the mean: information goes with their number, so three times as many more halve the scatter."""
    evidence = make_programme(3, 5, 8)
    days = evidence.points["sortie"].str.replace("F", "D")
    result = reduce_drag(dataclasses.replace(evidence, points=evidence.points.assign(day=days)))
    found = repeatability_of(result)
    assert found is not None
    assert found.ahead is not None
    assert found.ahead.scatter_halved_by == 15
    scatter, lasting = found.ahead.scatter, found.ahead.lasting
    assert found.ahead.after_one == pytest.approx(np.hypot(scatter * (5 / 6) ** 0.5, lasting), rel=1e-6)
    assert found.ahead.now == pytest.approx(np.hypot(scatter, lasting), rel=1e-6)
    assert (found.ahead.halved_by is None) == (lasting > 0.5 * found.ahead.now * 0.99)


def test_one_flight_of_glides_makes_a_sheet_without_a_forecast() -> None:
    evidence = only(make_programme(3, 4, 12), lambda one: one.points["sortie"] == "F0")
    result = reduce_drag(evidence)
    found = repeatability_of(result)
    assert found is not None
    assert found.ahead is None
    texts = " ".join(sheet_of(result, Settings()).statements)
    assert "within a flight" in texts
    assert "Estimate" not in texts


@pytest.mark.parametrize("count", [0, 1])
def test_no_polar_no_repeatability(count: int) -> None:
    evidence = make_programme(3, 2, 4)
    result = reduce_drag(dataclasses.replace(evidence, points=evidence.points[:count]))
    assert repeatability_of(result) is None
    assert not any("Repeatability" in table.title for table in sheet_of(result, Settings()).tables)


@pytest.fixture(scope="module")
def drag(eleven: Programme) -> DragResult:
    return reduce_drag(gather_evidence(eleven, aircraft="SALLOW-R1"))


def test_simulated_flights_of_one_aircraft_do_not_differ(drag: DragResult) -> None:
    """Truth (tests/data/sorties): the same aerodynamics on all three days, instruments alike; points differ by their air."""
    found = repeatability_of(drag)
    assert found is not None
    assert found.flights == found.days == 3
    assert level(found.components, WITHIN).is_told_from_zero
    # three flights alike by chance look different now and then: what is told must be nothing beside a glide's own scatter
    assert level(found.components, TOGETHER).deviation.low < 0.001
    assert level(found.components, TOGETHER).deviation.value < level(found.components, WITHIN).deviation.value
    # three flights, each alone on its day, with the usual condition in each
    assert found.ahead is not None
    assert found.ahead.scatter_halved_by == 9


def test_the_sheet_tells_the_levels_with_a_reason_for_each_not_told(drag: DragResult) -> None:
    sheet = sheet_of(drag, Settings())
    (table,) = [one for one in sheet.tables if one.title.startswith("Repeatability")]
    assert [row[0].value for row in table.rows] == [WITHIN, FLIGHTS, DAYS, TOGETHER]
    for row in table.rows:
        share, area, sink, reading = row[1], row[2], row[3], str(row[4].value)
        if share.value is None:
            assert reading.startswith("not told: ")
        else:
            assert share.low is not None
            assert share.high is not None
            assert (reading == "told") == (share.low > 0)
            assert float(str(area.value)) >= 0
            assert float(str(sink.value)) >= 0
    found = repeatability_of(drag)
    assert found is not None
    assert isinstance(found.usual.fit, PolarFit)
    within = table.rows[0]
    assert float(str(within[2].value)) == pytest.approx(float(str(within[1].value)) * found.area)
    assert any(text.startswith("Repeatability") and "3 flights, 3 days" in text for text in sheet.statements)
    assert any(text.startswith("Estimate, no promise") and "about 9 such flights" in text for text in sheet.statements)
