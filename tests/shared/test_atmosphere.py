"""Standard atmosphere against published tables, two reference libraries and its own inverses."""

import numpy as np
import pytest
from ambiance import Atmosphere
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import atmosphere

FT = 0.3048  # m, exact
INHG = 25.4 * 133.322387415  # Pa, conventional inch of mercury (13 595.1 kg/m3, standard gravity)
PSF = 4.4482216152605 / FT**2  # Pa, pound-force exact
LB_FT3 = 0.45359237 / FT**3  # kg/m3
KT = 1852 / 3600  # m/s, exact
MPH = 1609.344 / 3600  # m/s, exact
HPA = 100.0

# SFTE Reference Handbook, 3rd ed. 2013, section 3, standard atmosphere table "Below Tropopause":
# pressure altitude ft, T K, p Pa, sigma, rho kg/m3; tolerance 3e-5, the last printed digit
SFTE_TABLE = (
    (0, 288.150, 101325.00, 1.0, 1.225000),
    (5000, 278.244, 84307.27, 0.861671, 1.055546),
    (10000, 268.338, 69681.66, 0.738479, 0.904637),
    (14000, 260.413, 59523.88, 0.650025, 0.796281),
    (15000, 258.432, 57181.96, 0.629238, 0.770816),
    (20000, 248.526, 46563.26, 0.532812, 0.652694),
    (30000, 228.714, 30089.59, 0.374133, 0.458312),
)


@pytest.mark.parametrize(("feet", "kelvin", "pascal", "sigma", "rho"), SFTE_TABLE)
def test_standard_atmosphere_is_the_published_table(
    feet: float, kelvin: float, pascal: float, sigma: float, rho: float
) -> None:
    altitude = feet * FT
    assert atmosphere.standard_temperature(altitude) == pytest.approx(kelvin, rel=3e-5)
    assert atmosphere.standard_pressure(altitude) == pytest.approx(pascal, rel=3e-5)
    assert atmosphere.standard_density(altitude) == pytest.approx(rho, rel=3e-5)
    assert atmosphere.density_ratio(pascal, kelvin) == pytest.approx(sigma, rel=3e-5)
    assert atmosphere.pressure_altitude(pascal) == pytest.approx(altitude, abs=0.3)
    assert atmosphere.density_altitude(pascal, kelvin) == pytest.approx(altitude, abs=0.3)


def test_tropopause_is_the_published_one() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 3: 36,089.24 ft, tolerance 1e-5
    altitude = 36089.24 * FT
    pressure = atmosphere.standard_pressure(altitude)
    assert atmosphere.standard_temperature(altitude) == pytest.approx(216.65, rel=1e-5)
    assert atmosphere.pressure_ratio(pressure) == pytest.approx(0.223361, rel=1e-5)
    assert pressure / PSF == pytest.approx(472.683, rel=1e-5)
    assert atmosphere.density_ratio(pressure, 216.65) == pytest.approx(0.297076, rel=1e-5)


def test_fourteen_and_a_half_thousand_feet() -> None:
    # computed from the constants of the U.S. Standard Atmosphere 1976; ambiance and fluids agree to 1e-6
    altitude = 14500 * FT
    temperature = atmosphere.standard_temperature(altitude)
    assert temperature == pytest.approx(259.4226, rel=1e-6)
    assert atmosphere.standard_pressure(altitude) == pytest.approx(58343.39, rel=1e-6)
    assert atmosphere.standard_density(altitude) == pytest.approx(0.783470, rel=1e-6)
    assert atmosphere.speed_of_sound(temperature) / KT == pytest.approx(627.640, rel=1e-6)


# NASA RP-1046 (Gracey 1980) tables, as quoted with that attribution in the unit tests of aerocalc:
# geopotential altitude m, value in SI, relative tolerance by printed digits
@pytest.mark.parametrize(
    ("altitude", "pascal", "tolerance"),
    [
        (-1000 * FT, 2193.82 * PSF, 1e-5),
        (5000 * FT, 24.8959 * INHG, 1e-5),
        (8000 * FT, 22.225 * INHG, 5e-5),
        (49000 * FT, 254.139 * PSF, 1e-5),
        (20000.0, 5474.87, 1e-5),
        (25000.0, 2511.01, 1e-5),
    ],
)
def test_pressure_is_that_of_rp_1046(altitude: float, pascal: float, tolerance: float) -> None:
    assert atmosphere.standard_pressure(altitude) == pytest.approx(pascal, rel=tolerance)
    assert atmosphere.pressure_altitude(pascal) == pytest.approx(altitude, abs=0.5)


@pytest.mark.parametrize(
    ("altitude", "rho"),  # NASA RP-1046 as above; four and five digits printed: 5e-5
    [(8000 * FT, 0.06011 * LB_FT3), (49000 * FT, 0.012215 * LB_FT3), (20000.0, 0.088035), (25000.0, 0.039466)],
)
def test_density_is_that_of_rp_1046(altitude: float, rho: float) -> None:
    assert atmosphere.standard_density(altitude) == pytest.approx(rho, rel=9e-5)


@pytest.mark.parametrize(
    ("altitude", "speed"),
    [
        (10000 * FT, 734.58 * MPH),  # NASA RP-1046 as above
        (10000.0, 1078.07 / 3.6),  # NASA RP-1046 as above
        (0.0, 661.478 * KT),  # SFTE Reference Handbook, 3rd ed. 2013, section 3
        (0.0, 340.294),
        (0.0, 1116.45 * FT),
    ],
)
def test_speed_of_sound_is_the_published_one(altitude: float, speed: float) -> None:
    assert atmosphere.speed_of_sound(atmosphere.standard_temperature(altitude)) == pytest.approx(speed, rel=1e-5)


@pytest.mark.parametrize(
    ("feet", "sigma", "theta", "sound"),
    [  # PDAS, A Table of the Standard Atmosphere to 65,000 Feet (public domain), by GEOMETRIC height; 1e-4
        (5000, 0.8617, 0.9656, 1097.1),
        (10000, 0.7386, 0.9313, 1077.4),
        (15000, 0.6295, 0.8969, 1057.4),
        (20000, 0.5332, 0.8626, 1036.9),
    ],
)
def test_geometric_height_is_converted_first(feet: float, sigma: float, theta: float, sound: float) -> None:
    altitude = atmosphere.geopotential_altitude(feet * FT)
    temperature = atmosphere.standard_temperature(altitude)
    assert atmosphere.density_ratio(atmosphere.standard_pressure(altitude), temperature) == pytest.approx(
        sigma, abs=1e-4
    )
    assert temperature / 288.15 == pytest.approx(theta, abs=6e-5)
    assert atmosphere.speed_of_sound(temperature) / FT == pytest.approx(sound, rel=1e-4)


def test_pressure_altitude_is_not_taken_for_geometric_height() -> None:
    # PDAS prints theta 0.8626 at 20,000 ft geometric; by pressure altitude it is 0.86249
    assert atmosphere.standard_temperature(20000 * FT) / 288.15 == pytest.approx(0.86249, abs=5e-6)


HEIGHTS = np.array([-2000.0, 0.0, 1234.5, 4419.6, 9000.0, 11500.0, 18000.0, 20500.0, 31000.0])  # geometric, m


@pytest.mark.parametrize("height", HEIGHTS)
def test_agrees_with_fluids(height: float) -> None:
    reference = ATMOSPHERE_1976(float(height))  # takes geometric height; its constants differ by 5e-7
    altitude = atmosphere.geopotential_altitude(height)
    assert atmosphere.standard_temperature(altitude) == pytest.approx(reference.T, rel=1e-9)
    assert atmosphere.standard_pressure(altitude) == pytest.approx(reference.P, rel=5e-6)
    assert atmosphere.standard_density(altitude) == pytest.approx(reference.rho, rel=5e-6)
    assert atmosphere.speed_of_sound(reference.T) == pytest.approx(reference.v_sonic, rel=5e-6)


def test_agrees_with_ambiance() -> None:
    reference = Atmosphere(HEIGHTS)  # takes geometric height; the base pressures of its layers are rounded ones
    altitude = atmosphere.geopotential_altitude(HEIGHTS)
    temperature = atmosphere.standard_temperature(altitude)
    np.testing.assert_allclose(altitude, reference.H, rtol=1e-12)
    np.testing.assert_allclose(atmosphere.geometric_height(altitude), HEIGHTS, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(temperature, reference.temperature, rtol=1e-12)
    np.testing.assert_allclose(atmosphere.standard_pressure(altitude), reference.pressure, rtol=3e-6)
    np.testing.assert_allclose(atmosphere.standard_density(altitude), reference.density, rtol=3e-6)
    np.testing.assert_allclose(atmosphere.speed_of_sound(temperature), reference.speed_of_sound, rtol=1e-6)


def test_pressure_altitude_of_a_field_at_sea_level() -> None:
    # FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, figure 10-3: setting 29.70 inHg, 205 ft
    assert atmosphere.pressure_altitude_from_baro(0.0, 29.70 * INHG) / FT == pytest.approx(205, abs=1)


@pytest.mark.parametrize(
    ("elevation", "kelvin", "setting", "expected"),
    [  # aerocalc unit tests, truth from a public calculator, dry air; tolerance 5 ft
        (6000, (75 + 459.67) / 1.8, 29.80 * INHG, 8492),
        (9080, 13 + 273.15, 1024 * HPA, 10554),
        (5000, 273.15, 29.50 * INHG, 4875),
    ],
)
def test_density_altitude_of_a_field(elevation: float, kelvin: float, setting: float, expected: float) -> None:
    altitude = atmosphere.pressure_altitude_from_baro(elevation * FT, setting)
    found = atmosphere.density_altitude(atmosphere.standard_pressure(altitude), kelvin)
    assert found / FT == pytest.approx(expected, abs=5)


def test_density_altitude_is_not_the_rule_of_thumb() -> None:
    # a published worked example gives 4,750 and 7,750 ft by rule; exact are 4,771 and 7,523 ft (independent script)
    altitude = atmosphere.pressure_altitude_from_baro(5000 * FT, 30.17 * INHG)
    assert altitude / FT == pytest.approx(4771, abs=1)
    found = atmosphere.density_altitude(atmosphere.standard_pressure(altitude), 30 + 273.15)
    assert found / FT == pytest.approx(7523, abs=1)


def test_density_altitude_of_the_knowledge_test_chart() -> None:
    # FAA private-pilot knowledge test, figure 8: 8,500 ft (quoted from memory; chart, 150 ft)
    altitude = atmosphere.pressure_altitude_from_baro(5250 * FT, 29.25 * INHG)
    found = atmosphere.density_altitude(atmosphere.standard_pressure(altitude), (81 + 459.67) / 1.8)
    assert found / FT == pytest.approx(8500, abs=150)


@given(st.floats(-5000, 32000))
def test_pressure_and_density_altitude_invert_the_atmosphere(altitude: float) -> None:
    pressure = atmosphere.standard_pressure(altitude)
    assert atmosphere.pressure_altitude(pressure) == pytest.approx(altitude, abs=1e-6)
    temperature = atmosphere.standard_temperature(altitude)
    assert atmosphere.density_altitude(pressure, temperature) == pytest.approx(altitude, abs=1e-6)


@given(st.floats(-500, 10000), st.floats(95000, 105000))
def test_altimeter_setting_goes_both_ways(altitude: float, setting: float) -> None:
    shown = atmosphere.baro_altitude_from_pressure_altitude(altitude, setting)
    assert atmosphere.pressure_altitude_from_baro(shown, setting) == pytest.approx(altitude, abs=1e-8)


def test_standard_setting_shows_pressure_altitude() -> None:
    assert atmosphere.baro_altitude_from_pressure_altitude(1500.0, 101325.0) == pytest.approx(1500.0, abs=1e-9)


@pytest.mark.parametrize("altitude", [-5001.0, 32001.0, np.nan, np.inf])
def test_outside_the_range_there_is_no_number(altitude: float) -> None:
    assert np.isnan(atmosphere.standard_temperature(altitude))
    assert np.isnan(atmosphere.standard_pressure(altitude))
    assert np.isnan(atmosphere.standard_density(altitude))


@pytest.mark.parametrize("pressure", [0.0, -5.0, 800.0, 200000.0, np.nan])
def test_pressures_outside_the_range_give_no_altitude(pressure: float) -> None:
    assert np.isnan(atmosphere.pressure_altitude(pressure))
    assert np.isnan(atmosphere.density_altitude(pressure, 288.15))


def test_impossible_temperatures_give_no_number() -> None:
    assert np.isnan(atmosphere.density(101325.0, 0.0))
    assert np.isnan(atmosphere.speed_of_sound(-1.0))


def test_arrays_keep_their_shape_and_their_gaps() -> None:
    altitude = np.array([[0.0, np.nan, 12000.0], [25000.0, 40000.0, 5000.0]])
    pressure = atmosphere.standard_pressure(altitude)
    assert pressure.shape == (2, 3)
    assert np.isnan(pressure).tolist() == [[False, True, False], [False, True, False]]
    single = [float(atmosphere.standard_pressure(h)) for h in (0.0, 12000.0, 25000.0, 5000.0)]
    assert pressure[np.isfinite(pressure)].tolist() == single
    assert isinstance(atmosphere.standard_pressure(0.0), float)
    assert isinstance(atmosphere.standard_temperature(0.0), float)
