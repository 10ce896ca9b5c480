"""Power and propulsion states: idle, power, engine shut down, propeller stopped are told apart."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.engine import read_engine
from trimshot.detect.governor import is_governed
from trimshot.detect.signal import make_grid
from trimshot.detect.states import States, find_states
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

RecordingBuilder = Callable[..., Recording]

# one flight of made-up numbers: 0 to 60 s on the ground, then airborne; power 100 to 400 s, idle to 700 s,
# engine shut down to 1000 s (windmilling), propeller stopped to 1100 s
LENGTH_S = 1200
AT_POWER, AT_IDLE, SHUT_DOWN, STOPPED, RESTARTED = 250.0, 550.0, 850.0, 1050.0, 1150.0


def seconds() -> np.ndarray:
    return np.arange(float(LENGTH_S))


def speed() -> np.ndarray:
    """True airspeed [m/s]: flying from 60 s, swinging by 10 m/s so that proportionality can be seen."""
    t = seconds()
    return np.where(t < 60, 0.0, 50.0 + 5.0 * np.sin(2 * np.pi * t / 120.0))


def piecewise(*parts: tuple[float, float | np.ndarray]) -> np.ndarray:
    t, out = seconds(), np.zeros(LENGTH_S)
    for start, value in parts:
        out = np.where(t >= start, value, out)
    return out


def flight(**engine: np.ndarray) -> dict[str, dict[str, np.ndarray]]:
    t = seconds()
    display = {
        "time_s": t,
        "indicated_airspeed": speed(),
        "true_airspeed": speed(),
        "pressure_altitude": np.interp(t, [0, 60, 400, 1200], [100, 100, 2500, 300]),
    }
    return {"display": display, "engine": {"time_s": t, **engine}}


def states_of(recording: Recording) -> States:
    return find_states(make_grid(recording), Settings(), recording)


def words(states: States, channel: str, *times: float) -> list[str]:
    return [states.courses[channel].at(t) for t in times]


def windmilling_speed() -> np.ndarray:
    """Propeller on its fine stop: revolutions in proportion to the airspeed, 0.5 a metre."""
    return 0.5 * speed()


def fuel() -> np.ndarray:
    return piecewise((0, 4e-6), (100, 2e-5), (400, 2e-6), (700, 0.0), (1100, 2e-6))


def test_idle_power_shut_down_and_stopped_are_four_states(make_recording: RecordingBuilder) -> None:
    turning = piecewise((0, 20.0), (100, 42.0), (400, windmilling_speed()), (1000, 0.0), (1100, windmilling_speed()))
    pressure = piecewise((0, 4e4), (100, 8.5e4), (400, 2e4), (700, 1.8e4), (1000, 9e4), (1100, 2e4))
    recording = make_recording(**flight(engine_speed=turning, manifold_pressure=pressure, fuel_flow=fuel()))
    states = states_of(recording)
    times = (AT_POWER, AT_IDLE, SHUT_DOWN, STOPPED, RESTARTED)
    assert words(states, "propulsion", *times) == ["power", "idle", "windmilling", "stopped", "idle"]
    assert words(states, "power", *times) == ["full", "idle", "off", "off", "idle"]


def test_a_propeller_that_keeps_its_speed_without_fuel_is_governed(make_recording: RecordingBuilder) -> None:
    turning = piecewise((0, 20.0), (100, 42.0), (400, windmilling_speed()), (700, 21.0))
    recording = make_recording(
        **flight(engine_speed=turning, fuel_flow=piecewise((0, 4e-6), (100, 2e-5), (400, 2e-6), (700, 0.0)))
    )
    assert words(states_of(recording), "propulsion", AT_IDLE, SHUT_DOWN) == ["idle", "governed"]


def test_idle_with_a_propeller_that_follows_the_airspeed_is_still_idle(make_recording: RecordingBuilder) -> None:
    """A fixed-pitch propeller at idle turns in proportion to the airspeed while the engine burns fuel."""
    turning = piecewise((0, 15.0), (100, 0.8 * speed()), (400, windmilling_speed()))
    flow = piecewise((0, 2e-6), (100, 1e-5), (400, 1e-6))
    states = states_of(make_recording(**flight(engine_speed=turning, fuel_flow=flow)))
    assert set(states.labels["propulsion"][make_grid(make_recording(**flight())).index(450.0) :]) == {"idle"}


def test_stopped_needs_the_propeller_to_come_back_clearly(make_recording: RecordingBuilder) -> None:
    """Two thresholds: builders report a propeller that stops at 90 mph and starts again at 140 only."""
    creeping = piecewise((0, 20.0), (100, 40.0), (700, 1.0), (800, 3.0), (900, 1.0), (1000, 20.0))
    states = states_of(make_recording(**flight(engine_speed=creeping, fuel_flow=fuel())))
    assert words(states, "propulsion", 750.0, 850.0, 950.0) == ["stopped"] * 3
    assert words(states, "propulsion", 1150.0) == ["idle"]


def test_without_an_idle_in_flight_no_idle_is_named(make_recording: RecordingBuilder) -> None:
    pressure = piecewise((0, 3e4), (50, 8.5e4), (400, 7e4), (700, 6.5e4))
    states = states_of(make_recording(**flight(engine_speed=np.full(LENGTH_S, 40.0), manifold_pressure=pressure)))
    airborne = states.labels["power"][make_grid(make_recording(**flight())).index(120.0) :]
    assert "idle" not in set(airborne)
    assert any(f.code == "STATE_UNKNOWN" for f in states.findings)


def test_full_throttle_stays_full_while_the_air_gets_thinner(make_recording: RecordingBuilder) -> None:
    """Without a blower the manifold pressure at full throttle is nearly the air's: 101.3 kPa at sea level,
    79.5 kPa at 2000 m in the standard atmosphere (ISO 2533:1975)."""
    t = seconds()
    made = flight(engine_speed=np.full(LENGTH_S, 40.0), manifold_pressure=np.zeros(LENGTH_S))
    made["display"]["pressure_altitude"] = np.interp(t, [0, 60, 600, 1200], [0, 0, 2000, 2000])
    made["engine"]["manifold_pressure"] = np.interp(
        t, [0, 59, 60, 600, 899, 900, 1200], [4e4, 4e4, 97e3, 76e3, 76e3, 5e4, 5e4]
    )
    states = states_of(make_recording(**made))
    assert words(states, "power", 100.0, 400.0, 800.0, 1000.0) == ["full", "full", "full", "part"]


def test_engine_speed_alone_tells_the_power_of_a_fixed_pitch(make_recording: RecordingBuilder) -> None:
    turning = piecewise((0, 15.0), (100, 30.0 + 0.2 * speed()), (400, 0.4 * speed()))
    states = states_of(make_recording(**flight(engine_speed=turning)))
    assert words(states, "propulsion", AT_POWER, AT_IDLE) == ["power", "idle"]


def test_engine_speed_alone_tells_no_power_under_a_governor(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(**flight(engine_speed=np.full(LENGTH_S, 40.0))))
    assert words(states, "power", AT_POWER, AT_IDLE) == ["unknown", "unknown"]


def test_a_fine_stop_in_idle_glides_makes_no_fixed_pitch(make_recording: RecordingBuilder) -> None:
    # climbing to 400 s at one speed of the propeller, then gliding at idle on the fine stop, where it follows the airspeed
    turning = piecewise((0, 15.0), (60, 42.0), (400, 0.6 * speed()))
    states = states_of(make_recording(**flight(engine_speed=turning)))
    assert words(states, "power", AT_POWER, AT_IDLE) == ["unknown", "unknown"]


def test_no_engine_channel_is_unknown_and_said(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(display=flight()["display"]))
    assert set(states.labels["propulsion"]) == set(states.labels["power"]) == {"unknown"}
    assert any(f.code == "NOT_ATTEMPTED" and "engine" in f.text for f in states.findings)


@pytest.mark.parametrize(("turning", "answer"), [(np.full(LENGTH_S, 40.0), True), (0.8 * speed(), False)])
def test_a_governor_is_recognised_by_a_constant_speed_at_changing_airspeed(
    make_recording: RecordingBuilder, turning: np.ndarray, answer: bool
) -> None:
    pressure = piecewise((0, 4e4), (60, 8.5e4), (1100, 2e4))
    recording = make_recording(**flight(engine_speed=turning, manifold_pressure=pressure))
    grid = make_grid(recording)
    engine = read_engine(recording, grid, states_of(recording).flight.airborne)
    assert engine is not None
    assert is_governed(engine) is answer
