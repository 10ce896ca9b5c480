"""Period and damping against a handbook example, exact decaying cosines, and their own standard errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.detect.damping import decay_of_peaks, fit_damped_cosine, turning_points
from trimshot.shared.recording import Floats


def decaying(time_s: Floats, period_s: float, ratio: float, *, amplitude: float = 1.0, phase: float = 0.0) -> Floats:
    """A damped cosine with damping ratio `ratio`: s = w ratio / sqrt(1 - ratio^2) (linear second-order motion)."""
    omega = 2 * np.pi / period_s
    rate = omega * ratio / np.sqrt(1 - ratio**2)
    return np.asarray(amplitude * np.exp(-rate * time_s) * np.cos(omega * time_s + phase))


def test_the_handbook_example_of_successive_swings() -> None:
    # swings 37, 31, 26, 22: damping ratio 0.0551 (SFTE Reference Handbook, 3rd ed. 2013, section 8, method 2)
    peaks = np.cumsum([0.0, 37.0, -31.0, 26.0, -22.0])
    decay = decay_of_peaks(np.arange(5.0) * 1.5, peaks, 0.0)
    assert decay.damping_ratio == pytest.approx(0.0551, abs=1e-4)
    assert decay.period_s == pytest.approx(3.0)


@settings(max_examples=60)
@given(
    period=st.floats(1.5, 40.0),
    ratio=st.floats(0.01, 0.4),
    phase=st.floats(-3.0, 3.0),
    drift=st.floats(-0.05, 0.05),
    guess=st.floats(0.8, 1.25),
)
def test_an_exact_oscillation_on_a_drift_is_found_again(
    period: float, ratio: float, phase: float, drift: float, guess: float
) -> None:
    time_s = np.arange(0.0, 2.0 * period, period / 40)
    values = decaying(time_s, period, ratio, phase=phase) + 60.0 + drift * time_s / period
    fit = fit_damped_cosine(time_s, values, guess * period)
    assert fit is not None
    assert fit.decay.period_s == pytest.approx(period, rel=1e-3)
    assert fit.decay.damping_ratio == pytest.approx(ratio, abs=1e-3)
    assert fit.explained > 0.9999


@pytest.mark.parametrize("ratio", [0.03, 0.1, 0.3])
def test_the_standard_errors_are_the_scatter_of_repeats(ratio: float) -> None:
    """With white noise the estimates of many repeats scatter by the standard errors they state."""
    rng = np.random.default_rng(11)
    time_s = np.arange(0.0, 18.0, 0.2)
    clean = decaying(time_s, 6.0, ratio)
    fits = [fit_damped_cosine(time_s, clean + rng.normal(0, 0.03, len(time_s)), 6.6) for _ in range(150)]
    decays = [fit.decay for fit in fits if fit is not None]
    assert len(decays) == 150
    for name in ("period_s", "damping_ratio"):
        error = "period_error_s" if name == "period_s" else "damping_ratio_error"
        scatter = np.std([getattr(d, name) for d in decays])
        assert np.mean([getattr(d, error) for d in decays]) == pytest.approx(scatter, rel=0.35)


def test_both_ways_agree_and_missing_samples_are_left_out() -> None:
    time_s = np.arange(0.0, 60.0, 0.5)
    values = decaying(time_s, 20.0, 0.08, amplitude=5.0)
    values[40:46] = np.nan
    fit = fit_damped_cosine(time_s, values, 18.0)
    peaks = turning_points(values, 1.0)
    by_peaks = decay_of_peaks(time_s[peaks][:-1], values[peaks][:-1], 0.01)
    assert fit is not None
    assert fit.decay.damping_ratio == pytest.approx(0.08, abs=1e-3)
    assert by_peaks.damping_ratio == pytest.approx(0.08, abs=0.01)


def test_turning_points_alternate_and_swing_enough() -> None:
    wave = np.array([0.0, 3.0, 2.9, 3.1, 0.0, 0.2, -2.0, -1.9, -2.0, 4.0])
    found = turning_points(wave, 1.0)
    assert wave[found].tolist() == [0.0, 3.1, -2.0, 4.0]


@pytest.mark.parametrize("values", [np.empty(0), np.full(40, np.nan), np.full(40, 2.0), np.array([1.0, 2.0])])
def test_nothing_to_turn_at(values: Floats) -> None:
    assert len(turning_points(values, 0.5)) == 0
    assert fit_damped_cosine(np.arange(len(values) * 1.0), values, 10.0) is None
