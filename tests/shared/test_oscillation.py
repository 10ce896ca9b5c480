"""Damping and the phugoid against handbook examples and against integrated motion."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from trimshot.shared.physics import oscillation

KT = 1852 / 3600
G = 9.80665


def test_damping_of_the_handbooks_peaks() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 8, method 2: D1..D4; ratios .8378, .8387, .8462; 1e-3
    peaks = np.array([37.0, 31.0, 26.0, 22.0])
    assert peaks[1:] / peaks[:-1] == pytest.approx([0.8378, 0.8387, 0.8462], abs=1e-4)
    ratio = oscillation.mean_peak_ratio(peaks)
    assert ratio == pytest.approx(0.8409, abs=1e-4)
    assert oscillation.damping_ratio_of_peaks(ratio) == pytest.approx(0.0551, rel=1e-3)


@pytest.mark.parametrize(
    ("ratio", "half_cycles", "damping"), [(0.56, 1, 0.16), (0.60, 1, 0.14), (0.33, 2, 0.16), (0.40, 2, 0.14)]
)
def test_damping_of_the_handbooks_chart(ratio: float, half_cycles: int, damping: float) -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 8, method 3: read off a chart, 0.025
    assert oscillation.damping_ratio_of_peaks(ratio, half_cycles) == pytest.approx(damping, abs=0.025)


@given(st.floats(0.01, 0.9), st.floats(0.2, 60), st.integers(1, 6))
def test_peaks_of_a_damped_cosine(damping: float, period: float, half_cycles: int) -> None:
    # exp(-zeta wn t) cos(wd t): successive extrema are half a period apart
    natural = 2 * np.pi / (period * np.sqrt(1 - damping**2))
    ratio = np.exp(-damping * natural * half_cycles * period / 2)
    assert oscillation.damping_ratio_of_peaks(ratio, half_cycles) == pytest.approx(damping, rel=1e-6)
    assert oscillation.undamped_frequency(period, damping) == pytest.approx(natural, rel=1e-9)
    half = oscillation.time_to_half(period, damping)
    assert np.exp(-damping * natural * half) == pytest.approx(0.5, rel=1e-9)


def test_growing_and_undamped_oscillations() -> None:
    assert oscillation.damping_ratio_of_peaks(1.2) < 0
    assert oscillation.damping_ratio_of_peaks(1.0) == 0.0
    assert np.isinf(oscillation.time_to_half(30.0, 0.0))
    assert oscillation.time_to_half(30.0, -0.05) < 0
    assert np.isnan(oscillation.damping_ratio_of_peaks(0.0))
    assert np.isnan(oscillation.undamped_frequency(30.0, 1.0))


def phugoid(speed: float, lift_to_drag: float) -> tuple[float, float]:
    """(period, damping ratio) of a point mass at constant angle of attack and thrust, integrated."""

    def motion(_: float, state: np.ndarray) -> list[float]:
        velocity, path, _height = state
        load = (velocity / speed) ** 2
        along = -G * np.sin(path) + G / lift_to_drag * (1 - load)
        return [along, G / velocity * (load - np.cos(path)), velocity * np.sin(path)]

    span = 4 * oscillation.phugoid_period(speed)
    solution = solve_ivp(motion, (0, span), [speed * 1.01, 0.0, 0.0], rtol=1e-10, atol=1e-12, max_step=span / 4000)
    offset = solution.y[0] - speed
    turns = np.flatnonzero(np.diff(np.sign(np.diff(offset)))) + 1
    times, peaks = solution.t[turns], np.abs(offset[turns])
    ratio = (peaks[-1] / peaks[0]) ** (1 / (len(peaks) - 1))
    return 2 * float(np.mean(np.diff(times))), float(oscillation.damping_ratio_of_peaks(ratio))


def test_phugoid_against_a_point_mass() -> None:
    # Lanchester's approximation: period pi sqrt2 V/g (0.23307 s per knot), zeta 1/(sqrt2 L/D); 1 % against the motion
    assert oscillation.phugoid_period(1 * KT) == pytest.approx(0.23307, rel=1e-4)
    period, damping = phugoid(45.0, 12.0)
    assert oscillation.phugoid_period(45.0) == pytest.approx(period, rel=0.01)
    assert oscillation.phugoid_damping(12.0) == pytest.approx(damping, rel=0.01)
    assert np.isnan(oscillation.phugoid_damping(0.0))
