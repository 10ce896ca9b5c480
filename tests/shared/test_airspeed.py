"""Airspeeds against published tables and against each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import airspeed, atmosphere

FT = 0.3048  # m, exact
KT = 1852 / 3600  # m/s, exact
MPH = 1609.344 / 3600  # m/s, exact
MMHG = 133.322387415  # Pa, conventional millimetre of mercury
INHG = 25.4 * MMHG
PSF = 4.4482216152605 / FT**2  # Pa


# NASA RP-1046 (Gracey 1980) tables, as quoted with that attribution in the unit tests of aerocalc; 2e-5
@pytest.mark.parametrize(
    ("calibrated", "impact"),
    [
        (100 * KT, 34.0493 * PSF),
        (55 * KT, 0.145052 * INHG),
        (244 * KT, 9983.7),
        (300 * MPH, 3.38145 * INHG),
        (299 / 3.6, 4288.5),
        (280 * KT, 99.671 * MMHG),
    ],
)
def test_impact_pressure_is_that_of_rp_1046(calibrated: float, impact: float) -> None:
    assert airspeed.impact_pressure(calibrated) == pytest.approx(impact, rel=2e-5)
    assert airspeed.calibrated_airspeed(impact) == pytest.approx(calibrated, rel=2e-5)


@pytest.mark.parametrize(("mach", "ratio"), [(0.8, 0.52434), (1.0, 0.89293)])  # NASA RP-1046 as above
def test_impact_pressure_by_mach_number(mach: float, ratio: float) -> None:
    assert airspeed.impact_pressure_of_mach(mach, 50000.0) / 50000.0 == pytest.approx(ratio, rel=2e-5)
    exact = airspeed.impact_pressure_of_mach(mach, 50000.0)
    assert airspeed.mach_number(exact, 50000.0) == pytest.approx(mach, rel=1e-12)


def true_on_standard_day(calibrated: float, altitude: float) -> float:
    """True airspeed [m/s] at pressure altitude [m] on a standard day."""
    pressure = atmosphere.standard_pressure(altitude)
    return float(airspeed.true_airspeed(calibrated, pressure, temperature=atmosphere.standard_temperature(altitude)))


@pytest.mark.parametrize(
    ("calibrated", "altitude", "true", "tolerance"),
    [
        (400, 30000 * FT, 602.6, 2e-5),  # NASA RP-1046 as above; Mach 1.02, so Rayleigh's relation
        (290, 10000.0, 472.0033, 2e-5),  # NASA air-traffic library unit test (Apache-2.0)
        # unit test of a public air-traffic-control program, 250 kt at 1 to 6 km
        (250, 1000.0, 261.8680, 2e-5),
        (250, 2000.0, 274.5248, 2e-5),
        (250, 3000.0, 288.0309, 2e-5),
        (250, 4000.0, 302.4505, 2e-5),
        (250, 5000.0, 317.8517, 2e-5),
        (250, 6000.0, 334.3056, 2e-5),
    ],
)
def test_true_airspeed_is_the_published_one(calibrated: float, altitude: float, true: float, tolerance: float) -> None:
    assert true_on_standard_day(calibrated * KT, altitude) / KT == pytest.approx(true, rel=tolerance)


def test_true_airspeed_on_a_cold_day() -> None:
    # NASA RP-1046 as above, table value corrected for temperature: 400 kt, 30,000 ft, -70 degF; 3e-5
    pressure = atmosphere.standard_pressure(30000 * FT)
    found = airspeed.true_airspeed(400 * KT, pressure, temperature=(-70 + 459.67) / 1.8)
    assert found / KT == pytest.approx(586.266, rel=3e-5)


def test_eighty_knots_at_fourteen_and_a_half_thousand_feet() -> None:
    # computed by an independent script: EAS 79.893 kt, TAS 99.900 kt, Mach 0.15917; 1e-4
    pressure = atmosphere.standard_pressure(14500 * FT)
    assert airspeed.equivalent_airspeed(80 * KT, pressure) / KT == pytest.approx(79.893, abs=0.001)
    assert true_on_standard_day(80 * KT, 14500 * FT) / KT == pytest.approx(99.900, abs=0.001)
    assert airspeed.mach_of_calibrated(80 * KT, pressure) == pytest.approx(0.15917, abs=6e-6)


@given(st.floats(0, 2))
def test_mach_number_goes_both_ways_through_the_speed_of_sound(mach: float) -> None:
    impact = airspeed.impact_pressure_of_mach(mach, 30000.0)
    assert airspeed.mach_number(impact, 30000.0) == pytest.approx(mach, abs=1e-7)


def test_total_pressure_behind_a_shock_at_mach_two() -> None:
    # NACA Report 1135 (1953), table II, M 2.0: static over pitot pressure p1/pt2 = 0.1773 (from memory)
    assert 1 / (airspeed.impact_pressure_of_mach(2.0, 1.0) + 1) == pytest.approx(0.1773, abs=5e-5)


SPEEDS = st.floats(1, 120)
PRESSURES = st.floats(20000, 108000)
TEMPERATURES = st.floats(210, 320)


@given(SPEEDS, PRESSURES, TEMPERATURES)
def test_true_airspeed_goes_both_ways(calibrated: float, pressure: float, temperature: float) -> None:
    true = airspeed.true_airspeed(calibrated, pressure, temperature=temperature)
    back = airspeed.calibrated_from_true(true, pressure, temperature=temperature)
    assert back == pytest.approx(calibrated, rel=1e-6)


@given(SPEEDS, PRESSURES, TEMPERATURES)
def test_equivalent_airspeed_lies_between_the_others(calibrated: float, pressure: float, temperature: float) -> None:
    equivalent = airspeed.equivalent_airspeed(calibrated, pressure)
    assert airspeed.calibrated_from_equivalent(equivalent, pressure) == pytest.approx(calibrated, rel=1e-6)
    # the two ways to true airspeed, by Mach number and by density, are one
    sigma = atmosphere.density_ratio(pressure, temperature)
    true = airspeed.true_from_equivalent(equivalent, sigma)
    assert true == pytest.approx(float(airspeed.true_airspeed(calibrated, pressure, temperature=temperature)), rel=1e-9)
    assert airspeed.equivalent_from_true(true, sigma) == pytest.approx(float(equivalent), rel=1e-12)


def test_at_sea_level_all_airspeeds_are_one() -> None:
    assert airspeed.equivalent_airspeed(50.0, 101325.0) == pytest.approx(50.0, rel=1e-12)
    assert true_on_standard_day(50.0, 0.0) == pytest.approx(50.0, rel=1e-12)


def test_slow_flight_is_bernoulli() -> None:
    # impact pressure tends to rho V^2 / 2, with relative excess M^2 / 4 (first term of the series)
    mach = 10.0 / 340.294
    assert airspeed.impact_pressure(10.0) == pytest.approx(0.5 * 1.225 * 100 * (1 + mach**2 / 4), rel=1e-6)


@pytest.mark.parametrize("speed", [-1.0, 681.0, 1e200, np.nan])
def test_speeds_outside_the_range_have_no_impact_pressure(speed: float) -> None:
    assert np.isnan(airspeed.impact_pressure(speed))


@pytest.mark.parametrize("impact", [-1.0, 4.7 * 101325, 1e300, np.nan])
def test_impact_pressures_outside_the_range_have_no_airspeed(impact: float) -> None:
    assert np.isnan(airspeed.calibrated_airspeed(impact))
    assert np.isnan(airspeed.mach_number(impact, 101325.0))


@pytest.mark.parametrize("pressure", [0.0, -10.0, np.nan])
def test_no_static_pressure_no_true_airspeed(pressure: float) -> None:
    assert np.isnan(airspeed.true_airspeed(50.0, pressure, temperature=280.0))
    assert np.isnan(airspeed.equivalent_airspeed(50.0, pressure))
    assert np.isnan(airspeed.calibrated_from_equivalent(50.0, pressure))


@pytest.mark.parametrize("sigma", [0.0, -1.0])
def test_no_density_no_conversion(sigma: float) -> None:
    assert np.isnan(airspeed.true_from_equivalent(50.0, sigma))
    assert np.isnan(airspeed.equivalent_from_true(50.0, sigma))


def test_ram_rise_of_a_light_aeroplane() -> None:
    # practitioners' figure: about 4 degC at 176 KTAS with all of it read (low authority)
    assert airspeed.ram_rise(176 * KT, 1.0) == pytest.approx(4.0, abs=0.15)
    assert airspeed.ram_rise(176 * KT, 0.7) == pytest.approx(0.7 * float(airspeed.ram_rise(176 * KT, 1.0)))


@given(SPEEDS, TEMPERATURES, st.floats(0, 1))
def test_static_temperature_takes_the_ram_rise_off(true: float, static: float, recovery: float) -> None:
    measured = static + float(airspeed.ram_rise(true, recovery))
    mach = true / float(atmosphere.speed_of_sound(static))
    assert airspeed.static_temperature(measured, mach, recovery_factor=recovery) == pytest.approx(static, rel=1e-9)


def test_arrays_give_arrays_and_keep_gaps() -> None:
    found = airspeed.true_airspeed(
        np.array([50.0, np.nan, 60.0]), np.array([9e4, 9e4, np.nan]), temperature=np.full(3, 280.0)
    )
    assert np.isfinite(found).tolist() == [True, False, False]
    assert isinstance(airspeed.true_airspeed(50.0, 9e4, temperature=280.0), float)
