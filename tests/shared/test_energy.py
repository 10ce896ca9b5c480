"""Energy-corrected climb and sink against hand-made flight paths and the parabolic polar."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import atmosphere, energy, polar

FT = 0.3048
KT = 1852 / 3600
FPM = FT / 60
G = 9.80665


def test_timed_block_gives_the_published_sink() -> None:
    # Kolano, Test Pilot: Grading Glide (EAA Sport Aviation): 3,750 to 3,250 ft in 36 s is 833 ft/min
    climb = (3250 - 3750) * FT / 36
    assert energy.sink_rate(climb, 45.0, true_airspeed_rate=0.0) / FPM == pytest.approx(833, abs=1)


def test_airspeed_trend_fakes_sink() -> None:
    # hand computation: 0.1 kt/s at 95 KTAS is (95 kt * 0.1 kt/s) / g = 50.4 ft/min, 0.5 kt/s five times that
    faked = 95 * KT * 0.1 * KT / G / FPM
    assert faked == pytest.approx(50.4, abs=0.1)
    found = energy.energy_climb_rate(0.0, 95 * KT, true_airspeed_rate=0.1 * KT)
    assert found / FPM == pytest.approx(50.4, abs=0.1)
    assert energy.sink_rate(0.0, 95 * KT, true_airspeed_rate=0.5 * KT) / FPM == pytest.approx(-252, abs=0.5)


def test_energy_rate_is_the_derivative_of_energy_height() -> None:
    time = np.linspace(0, 20, 2001)
    height, speed = 1500 - 3 * time + np.sin(time), 50 + 4 * np.cos(time / 3)
    numeric = np.gradient(energy.energy_height(height, speed), time)
    found = energy.energy_climb_rate(-3 + np.cos(time), speed, true_airspeed_rate=-4 / 3 * np.sin(time / 3))
    np.testing.assert_allclose(found[1:-1], numeric[1:-1], atol=1e-4)


def test_pull_up_without_drag_keeps_its_energy() -> None:
    speed, height = np.array([60.0, 50.0]), np.array([1000.0, 1000.0 + (60.0**2 - 50.0**2) / (2 * G)])
    low, high = energy.energy_height(height, speed)
    assert low == pytest.approx(high, abs=1e-9)


def test_excess_thrust_is_energy_rate() -> None:
    # level acceleration, F = m a: both forms of specific excess power are one
    mass, force, speed = 900.0, 450.0, 55.0
    by_thrust = energy.specific_excess_power(force, speed, mass=mass)
    assert by_thrust == pytest.approx(
        float(energy.energy_climb_rate(0.0, speed, true_airspeed_rate=force / mass)), rel=1e-12
    )


def test_geometric_climb_rate_on_a_hot_day() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 12, step 1; factor at ISA + 15, 14,500 ft is 1.0578
    # (274.4226 / 259.4226, independent script)
    standard = atmosphere.standard_temperature(14500 * FT)
    found = energy.geometric_climb_rate(-5.0, standard + 15, standard_temperature=standard)
    assert found == pytest.approx(-5.0 * 1.0578, rel=5e-5)


@given(st.floats(0.7, 1.4))
def test_heavier_aeroplane_sinks_faster_at_equal_lift_coefficient(share: float) -> None:
    # the polar itself is the reference: speeds and sink of one lift coefficient scale by sqrt of the weight
    parts = {"parasite": 0.2058, "induced": 0.00707}
    light, heavy = 800.0, 800.0 * share
    sink = polar.sink_rate_of_polar(35.0, light, **parts, density_ratio=0.8)
    expected = polar.sink_rate_of_polar(35.0 * np.sqrt(share), heavy, **parts, density_ratio=1.0)
    found = energy.sink_rate_at_standard(sink, light, standard_mass=heavy, density=0.98, standard_density=1.225)
    assert found == pytest.approx(float(expected), rel=1e-12)


@given(st.floats(0.7, 1.4), st.floats(28, 60))
def test_weight_correction_at_equal_speed(share: float, speed: float) -> None:
    # thrust power 30 kW, drag by the polar: climb rate computed directly at both masses
    parts, mass, power = {"parasite": 0.2058, "induced": 0.00707}, 800.0, 30e3

    def climb(of_mass: float) -> float:
        return float((power - polar.drag(speed, of_mass, **parts) * speed) / (of_mass * G))

    found = energy.climb_rate_at_mass(
        climb(mass),
        speed,
        mass=mass,
        standard_mass=mass * share,
        induced_drag=polar.induced_drag(speed, mass, induced=parts["induced"]),
    )
    assert found == pytest.approx(climb(mass * share), rel=1e-9, abs=1e-9)


def test_weight_correction_is_the_handbook_form() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 12: induced term 2/(pi AR e rho V S) (Wt^2 - Ws^2)/Ws,
    # inertia factor Wt/Ws, evaluated here by hand
    aspect, oswald, area, rho, speed = 7.0, 0.8, 12.0, 1.1, 45.0
    test, standard = 8000.0, 9000.0  # weights, N
    term = 2 / (np.pi * aspect * oswald * rho * speed * area) * (test**2 - standard**2) / standard
    induced_drag = test**2 / (0.5 * rho * speed**2 * area * np.pi * aspect * oswald)
    found = energy.climb_rate_at_mass(3.0, speed, mass=test / G, standard_mass=standard / G, induced_drag=induced_drag)
    assert found == pytest.approx(3.0 * test / standard + term, rel=1e-12)


def test_a_held_airspeed_gives_energy_back_on_the_way_down() -> None:
    # U.S. Standard Atmosphere 1976, table I: density 1.0581 kg/m3 at 1,500 m, 1.0066 at 2,000 m, 0.95695 at 2,500 m
    equivalent, low, middle, high = 45.0, 1.0581, 1.0066, 0.95695
    gained = equivalent**2 * 1.225 * (1 / high - 1 / low) / (2 * 9.80665) / 1000.0
    told = float(energy.energy_over_height(equivalent * (1.225 / middle) ** 0.5, 2000.0))
    assert gained > 0.012
    assert told - 1 == pytest.approx(gained, rel=2e-3)
    # isothermal above 11 km: density falls by 1 / e over R T / g = 6,341.6 m (the same tables' scale height)
    assert float(energy.energy_over_height(200.0, 15000.0)) - 1 == pytest.approx(
        200.0**2 / (2 * 9.80665 * 6341.6), rel=1e-4
    )
    assert np.isnan(energy.energy_over_height(50.0, 40000.0))
