"""Wind and true airspeed from ground velocities: published samples, closed forms against each other, made-up winds."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import wind

KT = 1852 / 3600

# test-pilot-school spreadsheet sample, as quoted by aerocalc (after Gray, 1998): kt and degrees
SAMPLE_SPEED = np.array([178.0, 185.0, 188.0, 184.0])
SAMPLE_TRACK = np.radians([178.0, 82.0, 355.0, 265.0])


def over_ground(airspeed: float, heading: np.ndarray, north: float, east: float) -> tuple[np.ndarray, np.ndarray]:
    """(north, east) ground velocity of headings [rad] in a wind."""
    return airspeed * np.cos(heading) + north, airspeed * np.sin(heading) + east


def test_three_legs_of_the_published_sample() -> None:
    airspeed, north, east = wind.solve_three_legs(SAMPLE_SPEED[:3], SAMPLE_TRACK[:3])
    speed, direction = wind.wind_from(north, east)
    assert airspeed == pytest.approx(183.05, rel=1e-4)
    assert speed == pytest.approx(5.26, rel=1e-3)
    assert np.degrees(direction) == pytest.approx(194.5, abs=0.02)


def test_four_legs_of_the_published_sample() -> None:
    airspeed, north, east = wind.solve_four_legs(SAMPLE_SPEED, SAMPLE_TRACK)
    mean, deviation = wind.mean_of_legs(airspeed)
    assert mean == pytest.approx(183.727, abs=5e-4)
    assert deviation == pytest.approx(0.827, abs=5e-4)  # sample deviation, n - 1
    speed, direction = wind.wind_from(north, east)
    assert speed == pytest.approx([5.261, 3.582, 5.150, 6.444], abs=6e-4)
    assert np.degrees(direction) == pytest.approx([194.52, 181.52, 162.70, 177.95], abs=6e-3)


def test_mean_of_four_headings_is_not_the_airspeed() -> None:
    # Horton, Finding TAS from GPS Data (Kitplanes): TAS 100 kt, wind 270/20, headings N, E, S, W
    toward_north, toward_east = wind.velocity_components(20.0, np.radians(270.0 + 180.0))
    north, east = over_ground(100.0, np.radians([0.0, 90.0, 180.0, 270.0]), float(toward_north), float(toward_east))
    speed = np.hypot(north, east)
    assert speed == pytest.approx([102, 120, 102, 80], abs=0.02)
    assert speed.mean() == pytest.approx(101, abs=0.02)
    airspeed, wind_speed = wind.solve_headings_90_apart(speed[:3])
    assert [airspeed, wind_speed] == pytest.approx([100.0, 20.0], abs=1e-9)


@pytest.mark.parametrize(("heading", "expected"), [(300.0, 83.3), (120.0, 117.7), (305.0, 84.4)])
def test_two_way_run_across_the_wind(heading: float, expected: float) -> None:
    # Horton, 2004 post: TAS 100 kt, wind 270/20; tolerance 0.06 kt
    toward_north, toward_east = wind.velocity_components(20.0, np.radians(270.0 + 180.0))
    north, east = over_ground(100.0, np.radians([heading]), float(toward_north), float(toward_east))
    assert np.hypot(north, east)[0] == pytest.approx(expected, abs=0.06)


AIRSPEEDS = st.floats(30, 120)
WINDS = st.floats(-14, 14)
TURNS = st.floats(0, 2 * np.pi)


@given(AIRSPEEDS, WINDS, WINDS, TURNS)
def test_headings_120_apart(airspeed: float, north: float, east: float, first: float) -> None:
    # Williams aviation formulary's closed form against the triangle itself
    ground = np.hypot(*over_ground(airspeed, first + np.radians([0, 120, 240]), north, east))
    found, speed = wind.solve_headings_120_apart(ground)
    assert found == pytest.approx(airspeed, rel=1e-9)
    assert speed == pytest.approx(np.hypot(north, east), abs=1e-5)


@given(AIRSPEEDS, WINDS, WINDS, TURNS)
def test_headings_90_apart(airspeed: float, north: float, east: float, first: float) -> None:
    # Lowry, Performance of Light Aircraft, p. 31
    ground = np.hypot(*over_ground(airspeed, first + np.radians([0, 90, 180]), north, east))
    found, speed = wind.solve_headings_90_apart(ground)
    assert found == pytest.approx(airspeed, rel=1e-9)
    assert speed == pytest.approx(np.hypot(north, east), abs=1e-5)
    # SFTE Reference Handbook, 3rd ed. 2013, section 4, perpendicular headings: TAS = sqrt((g1^2 + g3^2)/2 - W^2)
    assert np.sqrt((ground[0] ** 2 + ground[2] ** 2) / 2 - speed**2) == pytest.approx(airspeed, rel=1e-9)


@given(AIRSPEEDS, WINDS, WINDS, TURNS)
def test_perpendicular_tracks_are_three_legs(airspeed: float, north: float, east: float, first: float) -> None:
    # ground speed along a track: the wind's component along plus what the airspeed leaves across
    tracks = first + np.radians([0, 90, 180])
    along = north * np.cos(tracks) + east * np.sin(tracks)
    across = -north * np.sin(tracks) + east * np.cos(tracks)
    ground = along + np.sqrt(airspeed**2 - across**2)
    found, speed = wind.solve_perpendicular_tracks(ground)
    assert found == pytest.approx(airspeed, rel=1e-9)
    assert speed == pytest.approx(np.hypot(north, east), abs=1e-9)
    by_circle, to_north, to_east = wind.solve_three_legs(ground, tracks)
    assert by_circle == pytest.approx(airspeed, rel=1e-9)
    assert [to_north, to_east] == pytest.approx([north, east], abs=1e-8)


@given(AIRSPEEDS, WINDS, WINDS, TURNS, st.floats(0.4, 2.2), st.floats(0.4, 2.2))
def test_any_three_legs(airspeed: float, north: float, east: float, first: float, second: float, third: float) -> None:
    headings = first + np.array([0.0, second, second + third])
    to_north, to_east = over_ground(airspeed, headings, north, east)
    found = wind.solve_three_legs(np.hypot(to_north, to_east), np.arctan2(to_east, to_north))
    assert found == pytest.approx((airspeed, north, east), abs=1e-6)


def test_three_legs_on_one_line_tell_nothing() -> None:
    assert np.isnan(wind.solve_three_legs([50.0, 60.0, 50.0], np.radians([90.0, 90.0, 270.0]))).all()


def test_many_triples_at_once() -> None:
    speed = np.tile(SAMPLE_SPEED[:3], (5, 1))
    airspeed, _, _ = wind.solve_three_legs(speed, SAMPLE_TRACK[:3])
    assert airspeed.shape == (5,)
    assert np.ptp(airspeed) == 0.0


@given(st.floats(0, 40), st.floats(0.001, 2 * np.pi - 0.001))
def test_wind_direction_is_where_it_comes_from(speed: float, direction: float) -> None:
    north, east = wind.velocity_components(speed + 0.1, direction)
    found_speed, found_from = wind.wind_from(-north, -east)
    assert found_speed == pytest.approx(speed + 0.1, rel=1e-12)
    assert found_from == pytest.approx(direction, abs=1e-9)


def test_west_wind_blows_from_the_west() -> None:
    assert np.degrees(wind.wind_from(0.0, 10.0)[1]) == pytest.approx(270.0)


@given(AIRSPEEDS, WINDS, WINDS, st.floats(0.9, 1.1), st.floats(1.5, 2 * np.pi))
def test_fit_finds_scale_and_wind(airspeed: float, north: float, east: float, scale: float, sweep: float) -> None:
    headings = np.linspace(0.3, 0.3 + sweep, 40)
    to_north, to_east = over_ground(airspeed, headings, north, east)
    estimate, _, deviation = wind.fit_scale_and_wind(to_north, to_east, airspeed=np.full(40, airspeed / scale))
    assert estimate == pytest.approx([scale, north, east], abs=1e-6)
    assert deviation < 1e-6


def test_fit_with_varying_airspeed_and_gaps() -> None:
    headings = np.linspace(0, 2 * np.pi, 60)
    airspeed = 50 + 8 * np.sin(3 * headings)
    north, east = airspeed * np.cos(headings) + 6.0, airspeed * np.sin(headings) - 4.0
    north[10], east[20], measured = np.nan, np.nan, airspeed / 0.97
    measured[30] = np.nan
    estimate, covariance, _ = wind.fit_scale_and_wind(north, east, airspeed=measured)
    assert estimate == pytest.approx([0.97, 6.0, -4.0], abs=1e-9)
    assert covariance.shape == (3, 3)


def test_fit_says_how_sure_it_is() -> None:
    # 400 made-up turns with 0.5 m/s of noise: the spread of the answers is the stated one
    generator = np.random.default_rng(20)
    headings = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    north, east = over_ground(50.0, headings, 5.0, 3.0)
    found, stated, residual = [], [], []
    for _ in range(400):
        noise = generator.normal(0, 0.5, (2, 36))
        estimate, covariance, deviation = wind.fit_scale_and_wind(
            north + noise[0], east + noise[1], airspeed=np.full(36, 50.0)
        )
        found.append(estimate)
        stated.append(np.sqrt(np.diag(covariance)))
        residual.append(deviation)
    assert np.std(found, axis=0) == pytest.approx(np.mean(stated, axis=0), rel=0.12)
    assert np.mean(residual) == pytest.approx(0.5, rel=0.03)
    assert np.mean(found, axis=0) == pytest.approx([1.0, 5.0, 3.0], abs=0.03)


def test_fit_of_exactly_three_legs_is_the_circle() -> None:
    north, east = wind.velocity_components(SAMPLE_SPEED[:3], SAMPLE_TRACK[:3])
    estimate, covariance, deviation = wind.fit_scale_and_wind(north, east, airspeed=np.full(3, 183.05))
    assert estimate[0] * 183.05 == pytest.approx(183.05, rel=1e-4)  # published sample, see above
    assert np.hypot(estimate[1], estimate[2]) == pytest.approx(5.26, rel=1e-3)
    assert np.isnan(covariance).all()
    assert np.isnan(deviation)


@pytest.mark.parametrize(
    ("headings", "airspeed"),
    [
        (np.zeros(20), np.full(20, 50.0)),  # one heading: wind and scale cannot be told apart
        (np.array([0.0, 2.0]), np.full(2, 50.0)),  # two legs
        (np.linspace(0, 6, 20), np.full(20, np.nan)),
        (np.linspace(0, 6, 20), np.zeros(20)),
    ],
)
def test_fit_without_enough_to_go_by_gives_no_number(headings: np.ndarray, airspeed: np.ndarray) -> None:
    north, east = over_ground(50.0, headings, 5.0, 3.0)
    estimate, covariance, deviation = wind.fit_scale_and_wind(north, east, airspeed=airspeed)
    assert np.isnan(estimate).all()
    assert np.isnan(covariance).all()
    assert np.isnan(deviation)
