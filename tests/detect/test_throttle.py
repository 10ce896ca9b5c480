"""Throttle opening from what the throttle lets through: published flow figures, made engines."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.detect.throttle import flow_function, ratio_from_fuel, throttle_opening


@pytest.mark.parametrize(
    ("pressure_ratio", "area_ratio"),
    # NACA Report 1135 (1953), table I: p/p_t and A/A* at Mach 0.30, 0.50, 0.80, 1.00
    [(0.9395, 2.0351), (0.8430, 1.3398), (0.6560, 1.0382), (0.5283, 1.0)],
)
def test_the_flow_function_is_that_of_isentropic_flow(pressure_ratio: float, area_ratio: float) -> None:
    assert flow_function(np.array([pressure_ratio]))[0] == pytest.approx(1.0 / area_ratio, abs=2e-4)


def test_the_flow_is_sonic_below_the_critical_ratio_and_nothing_without_a_difference() -> None:
    np.testing.assert_array_equal(flow_function(np.array([0.1, 0.3, 0.5])), 1.0)
    assert flow_function(np.array([1.0]))[0] == pytest.approx(0.0, abs=1e-7)


def test_the_same_area_at_other_revolutions_is_the_same_opening() -> None:
    """Half the area: the faster the engine turns, the lower the manifold pressure; the opening stays."""
    ratios = np.array([0.40, 0.50])
    speed = 0.2 / ratios * 40.0  # sonic flow through one area: r x revolutions is constant
    opening = throttle_opening(ratios, speed)
    assert opening[0] == pytest.approx(opening[1])
    assert throttle_opening(np.array([0.3, 0.6, 0.9, 0.96]), np.full(4, 40.0)) == pytest.approx(
        np.sort(throttle_opening(np.array([0.3, 0.6, 0.9, 0.96]), np.full(4, 40.0)))
    )
    assert throttle_opening(np.array([0.96, 0.99]), np.full(2, 40.0)) == pytest.approx([1.0, 1.0])


def test_fuel_per_revolution_stands_for_the_manifold_pressure() -> None:
    speed, ambient = np.linspace(30.0, 45.0, 500), np.full(500, 9e4)
    ratio = np.linspace(0.3, 0.97, 500)
    told = ratio_from_fuel(3e-12 * ratio * ambient * speed, speed, ambient)
    np.testing.assert_allclose(told, ratio, rtol=0.01)
