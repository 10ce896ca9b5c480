"""The parabolic polar against published values, brute force, and its own theorems."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import polar

KT = 1852 / 3600
FPM = 0.3048 / 60
G = 9.80665

# the worked polar: CD0 0.0280, K 0.0520, W 7000 N, S 12 m2, sea level
PARASITE = float(polar.parasite_coefficient(0.0280, 12.0))
INDUCED = float(polar.induced_coefficient(0.0520, 12.0))
MASS = 7000.0 / G


def test_worked_polar() -> None:
    # computed by an independent script, brute force against formula; 1e-5
    assert polar.best_lift_to_drag(PARASITE, INDUCED) == pytest.approx(13.1036, rel=1e-5)
    glide = polar.best_glide_speed(MASS, PARASITE, induced=INDUCED)
    slow = polar.minimum_sink_speed(MASS, PARASITE, induced=INDUCED)
    assert glide / KT == pytest.approx(70.029, rel=1e-5)
    assert slow / KT == pytest.approx(53.211, rel=1e-5)
    sink = polar.sink_rate_of_polar(slow, MASS, parasite=PARASITE, induced=INDUCED)
    assert sink / FPM == pytest.approx(474.85, rel=1e-5)
    at_glide = polar.sink_rate_of_polar(glide, MASS, parasite=PARASITE, induced=INDUCED)
    assert sink / at_glide == pytest.approx(0.8774, abs=5e-5)
    assert slow / sink / 13.1036 == pytest.approx(0.8660, abs=5e-5)


def test_best_speeds_by_brute_force() -> None:
    speeds = np.linspace(20, 60, 400001)
    drag = polar.drag(speeds, MASS, parasite=PARASITE, induced=INDUCED)
    sink = polar.sink_rate_of_polar(speeds, MASS, parasite=PARASITE, induced=INDUCED)
    assert polar.best_glide_speed(MASS, PARASITE, induced=INDUCED) == pytest.approx(speeds[drag.argmin()], abs=2e-3)
    assert polar.minimum_sink_speed(MASS, PARASITE, induced=INDUCED) == pytest.approx(speeds[sink.argmin()], abs=2e-3)
    assert 7000.0 / drag.min() == pytest.approx(float(polar.best_lift_to_drag(PARASITE, INDUCED)), rel=1e-9)


def test_drag_is_dynamic_pressure_times_coefficient() -> None:
    # the textbook form, written out: q S (CD0 + K CL^2), CL = W / (q S)
    speed, pressure = 40.0, 0.5 * 1.225 * 40.0**2
    lift = 7000.0 / (pressure * 12.0)
    assert polar.drag(speed, MASS, parasite=PARASITE, induced=INDUCED) == pytest.approx(
        pressure * 12.0 * (0.0280 + 0.0520 * lift**2), rel=1e-6
    )


def test_shares_of_drag_at_the_best_speeds() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 5: best glide CDi = CD0, least sink CDi = 3 CD0
    for speed, share in (
        (polar.best_glide_speed(MASS, PARASITE, induced=INDUCED), 1.0),
        (polar.minimum_sink_speed(MASS, PARASITE, induced=INDUCED), 3.0),
    ):
        induced = polar.induced_drag(speed, MASS, induced=INDUCED)
        assert induced / polar.parasite_drag(speed, PARASITE) == pytest.approx(share, rel=1e-12)


def test_power_against_the_fourth_power_of_speed_is_a_line() -> None:
    # P V = (rho S CD0 / 2) V^4 + 2 K W^2 / (rho S), P = D V; 1e-9
    speeds = np.linspace(25, 70, 10)
    power = polar.drag(speeds, MASS, parasite=PARASITE, induced=INDUCED) * speeds
    slope, intercept = np.polyfit(speeds**4, power * speeds, 1)
    rho = 101325 / (287.05287 * 288.15)
    assert slope == pytest.approx(rho * 12 * 0.0280 / 2, rel=1e-9)
    assert intercept == pytest.approx(2 * 0.0520 * 7000.0**2 / (rho * 12), rel=1e-9)


@given(st.floats(0.5, 2.0), st.floats(25, 70))
def test_speeds_and_sink_of_one_lift_coefficient_scale_with_the_root_of_weight(share: float, speed: float) -> None:
    light = polar.sink_rate_of_polar(speed, MASS, parasite=PARASITE, induced=INDUCED)
    heavy = polar.sink_rate_of_polar(speed * share**0.5, MASS * share, parasite=PARASITE, induced=INDUCED)
    assert heavy == pytest.approx(float(light) * share**0.5, rel=1e-9)
    glide = polar.best_glide_speed(MASS * share, PARASITE, induced=INDUCED)
    assert glide == pytest.approx(share**0.5 * float(polar.best_glide_speed(MASS, PARASITE, induced=INDUCED)))


def test_thin_air_sinks_faster_at_the_same_equivalent_airspeed() -> None:
    dense = polar.sink_rate_of_polar(40.0, MASS, parasite=PARASITE, induced=INDUCED)
    thin = polar.sink_rate_of_polar(40.0, MASS, parasite=PARASITE, induced=INDUCED, density_ratio=0.64)
    assert thin == pytest.approx(float(dense) / 0.8, rel=1e-12)


def test_glide_ratios_of_published_points() -> None:
    # Burch, Performance Airspeeds for the Soaring Challenged: speeds and sinks in kt; 0.05
    found = polar.glide_ratio(np.array([26, 31, 42, 62]), np.array([1.8, 1.6, 1.9, 3.2]))
    assert found == pytest.approx([14.4, 19.4, 22.1, 19.4], abs=0.05)
    assert int(np.argmax(found)) == 2


def test_glide_angle_is_exact_for_steep_glides() -> None:
    # a 3-4-5 triangle: 5 along the path, 3 down, 4 across
    assert np.tan(polar.glide_angle(5.0, 3.0)) == pytest.approx(3 / 4, rel=1e-12)


def test_no_number_where_there_is_no_glide() -> None:
    assert np.isnan(polar.glide_ratio(40.0, 0.0))
    assert np.isnan(polar.glide_angle(2.0, 3.0))
    assert np.isnan(polar.glide_angle(0.0, 0.0))
    assert np.isnan(polar.induced_drag(0.0, MASS, induced=INDUCED))
