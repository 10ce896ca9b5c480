"""Phugoids of an integrated point mass, planted fast modes, and what must not be taken for one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.motion import motion_of
from trimshot.detect.oscillations import find_oscillations
from trimshot.detect.phugoids import find_phugoids
from trimshot.detect.signal import make_grid
from trimshot.shared.findings import Finding, Manoeuvre
from trimshot.shared.recording import Floats, Recording

RecordingBuilder = Callable[..., Recording]
G = 9.80665


def point_mass(
    speed: float, lift_to_drag: float, *, excess: float, seconds: float, step: float = 0.01
) -> tuple[Floats, Floats]:
    """Airspeed [m/s] and height [m] of a point mass at constant angle of attack and constant thrust, by Runge-Kutta.

    Lanchester's model with drag: dV/dt = g ((T - D)/W - sin c), V dc/dt = g (L/W - cos c), L/W = (V/V0)^2,
    D/W = L/W / (L/D), T = D at V0. Sampled ten times a second.
    """

    def rates(state: Floats) -> Floats:
        v, angle, _ = state
        lift = (v / speed) ** 2
        return np.array(
            [
                G * ((1.0 - lift) / lift_to_drag - np.sin(angle)),
                G / v * (lift - np.cos(angle)),
                v * np.sin(angle),
            ]
        )

    state = np.array([speed + excess, 0.0, 1000.0])
    rows = []
    for k in range(round(seconds / step)):
        if k % round(0.1 / step) == 0:
            rows.append(state)
        a = rates(state)
        b = rates(state + step / 2 * a)
        c = rates(state + step / 2 * b)
        state = state + step / 6 * (a + 2 * b + 2 * c + rates(state + step * c))
    out = np.array(rows)
    return out[:, 0], out[:, 2]


def phugoids_in(recording: Recording, steady: np.ndarray | None = None) -> tuple[Manoeuvre, ...]:
    grid = make_grid(recording)
    flying = np.ones(len(grid), dtype=bool)
    return find_phugoids(motion_of(grid, flying), flying if steady is None else steady)


def flight(speed: Floats, height: Floats, **more: Floats) -> dict[str, Floats]:
    rng = np.random.default_rng(3)
    return {
        "time_s": np.arange(len(speed)) / 10.0,
        "calibrated_airspeed": speed + rng.normal(0, 0.1, len(speed)),
        "true_airspeed": speed,
        "pressure_altitude": height + rng.normal(0, 0.3, len(speed)),
        "bank": np.zeros(len(speed)),
        **more,
    }


@pytest.mark.parametrize(("speed", "lift_to_drag"), [(55.0, 12.0), (40.0, 8.0), (70.0, 15.0)])
def test_an_integrated_phugoid_has_the_period_and_damping_of_theory(
    make_recording: RecordingBuilder, speed: float, lift_to_drag: float
) -> None:
    period = np.pi * np.sqrt(2) * speed / G  # Lanchester, Aerodonetics, 1908
    v, h = point_mass(speed, lift_to_drag, excess=-4.0, seconds=2.6 * period)
    quiet = np.full(300, 1.0)
    recording = make_recording(display=flight(np.concatenate((quiet * v[0], v)), np.concatenate((quiet * h[0], h))))
    (found,) = phugoids_in(recording)
    facts = found.facts
    assert found.kind == "phugoid"
    assert facts["period_s"] == pytest.approx(period, rel=0.03)
    assert facts["period_by_peaks_s"] == pytest.approx(period, rel=0.06)
    # 1 / (sqrt(2) L/D), Lanchester's approximation with drag at constant thrust
    assert facts["damping_ratio"] == pytest.approx(1 / (np.sqrt(2) * lift_to_drag), abs=0.015)
    assert facts["damping_ratio_by_peaks"] == pytest.approx(facts["damping_ratio"], abs=0.02)
    assert facts["lanchester_period_s"] == pytest.approx(period, rel=0.03)
    assert facts["cycles"] >= 1.5


def test_speed_that_swings_without_height_is_no_phugoid(make_recording: RecordingBuilder) -> None:
    t = np.arange(1200) / 10.0
    speed = 50 + 4 * np.cos(2 * np.pi * t / 23.0)  # power pumped up and down in level flight
    assert phugoids_in(make_recording(display=flight(speed, np.full(1200, 900.0)))) == ()


def test_a_change_of_configuration_breaks_the_record(make_recording: RecordingBuilder) -> None:
    v, h = point_mass(50.0, 12.0, excess=-4.0, seconds=60.0)
    recording = make_recording(display=flight(v, h))
    assert len(phugoids_in(recording)) == 1
    steady = np.ones(len(make_grid(recording)), dtype=bool)
    steady[::50] = False  # something is moved every ten seconds
    assert phugoids_in(recording, steady) == ()


# --- fast modes -----------------------------------------------------------------------------------


def burst(t: Floats, at: float, size: float, *, period: float, ratio: float) -> Floats:
    """A damped cosine that begins at a time, silent before."""
    omega = 2 * np.pi / period
    since = np.maximum(t - at, 0.0)
    wave = np.sin(omega * since) * np.exp(-omega * ratio / np.sqrt(1 - ratio**2) * since)
    return np.asarray(size * np.where(t >= at, wave, 0.0))


def fast_modes(recording: Recording) -> tuple[tuple[Manoeuvre, ...], tuple[Finding, ...]]:
    grid = make_grid(recording)
    flying = np.ones(len(grid), dtype=bool)
    return find_oscillations(recording, motion_of(grid, flying), flying)


def cruise(seconds: float, rate: float, **more: Floats) -> dict[str, Floats]:
    t = np.arange(seconds * rate) / rate
    return {
        "time_s": t,
        "calibrated_airspeed": np.full(len(t), 50.0),
        "pressure_altitude": np.full(len(t), 900.0),
        **more,
    }


@pytest.mark.parametrize(("channel", "size"), [("lateral_load_factor", 0.2), ("yaw_rate", 0.25)])
def test_a_dutch_roll_is_timed(make_recording: RecordingBuilder, channel: str, size: float) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(2400) / 20.0
    values = burst(t, 60.0, size, period=2.4, ratio=0.12) + rng.normal(0, 0.01 * size, len(t))
    found, _ = fast_modes(make_recording(display=cruise(120.0, 20.0, **{channel: values})))
    (one,) = [m for m in found if m.kind == "dutch_roll"]
    assert one.channels == (channel,)
    assert one.segment.start_s == pytest.approx(60.0, abs=0.5)
    assert one.facts["period_s"] == pytest.approx(2.4, abs=0.1)
    assert one.facts["damping_ratio"] == pytest.approx(0.12, abs=0.03)
    assert one.facts["dead_beat"] is False


def test_a_short_period_that_dies_at_once_is_dead_beat(make_recording: RecordingBuilder) -> None:
    rng = np.random.default_rng(6)
    t = np.arange(2400) / 20.0
    answer = burst(t, 60.0, 0.5, period=2.0, ratio=0.85) - burst(t, 60.7, 0.5, period=2.0, ratio=0.85)
    rate = answer + rng.normal(0, 0.002, len(t))
    found, _ = fast_modes(make_recording(display=cruise(120.0, 20.0, pitch_rate=rate)))
    (one,) = found
    assert one.kind == "short_period"
    assert one.facts["dead_beat"] is True
    assert "period_s" not in one.facts
    # the envelope exp(-w z t / sqrt(1 - z^2)) falls to a tenth in ln(10) / 5.07 = 0.45 s
    assert one.facts["settled_s"] == pytest.approx(0.45, abs=0.4)


def test_a_short_period_that_rings_is_timed(make_recording: RecordingBuilder) -> None:
    t = np.arange(2400) / 20.0
    rate = burst(t, 60.0, 0.3, period=1.6, ratio=0.15)
    found, _ = fast_modes(make_recording(display=cruise(120.0, 20.0, pitch_rate=rate)))
    (one,) = found
    assert one.facts["period_s"] == pytest.approx(1.6, abs=0.08)
    assert one.facts["damping_ratio"] == pytest.approx(0.15, abs=0.03)


def test_rough_air_is_no_mode(make_recording: RecordingBuilder) -> None:
    rng = np.random.default_rng(7)
    gusts = np.convolve(rng.normal(0, 0.25, 6000), np.ones(10) / 10, mode="same")
    found, _ = fast_modes(make_recording(display=cruise(300.0, 20.0, pitch_rate=gusts, lateral_load_factor=gusts)))
    assert found == ()


def test_a_push_to_one_side_is_no_mode(make_recording: RecordingBuilder) -> None:
    t = np.arange(2400) / 20.0
    push = 0.4 * np.exp(-(((t - 60.0) / 0.8) ** 2))
    found, _ = fast_modes(make_recording(display=cruise(120.0, 20.0, pitch_rate=push)))
    assert found == ()


def test_a_slow_recorder_is_told_and_nothing_claimed(make_recording: RecordingBuilder) -> None:
    t = np.arange(300.0)
    rate = burst(t, 60.0, 0.5, period=2.0, ratio=0.2)
    found, findings = fast_modes(make_recording(display=cruise(300.0, 1.0, pitch_rate=rate, yaw_rate=rate)))
    assert found == ()
    assert [f.code for f in findings] == ["NOT_ATTEMPTED"]
    assert "short period" in findings[0].text
    assert "dutch roll" in findings[0].text
