"""A channel in coarse steps that is held is not stuck; one whose witness moved by more than its digits hide is."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.ingest.check.stuck import find_stuck
from trimshot.shared.findings import Finding
from trimshot.shared.recording import Clock, Column, Floats, Source, Track
from trimshot.shared.units import to_si
from trimshot.shared.vocabulary import unit_of_channel

COUNT = 3000  # a row a second
HELD = slice(1500, 1740)
KNOT, FOOT, DEGREE = to_si(1.0, "kt"), to_si(1.0, "ft"), to_si(1.0, "deg")


def fly(*, turning: bool = False, weaving: float = 0.6) -> dict[str, Floats]:
    """A flight in a wind of 7 m/s that holds speed, height and (unless turning there) heading exactly over HELD."""
    random = np.random.default_rng(5)
    time_s = np.arange(COUNT, dtype=np.float64)
    flown = np.where((time_s >= HELD.start) & (time_s < HELD.stop), HELD.start, time_s)
    speed = 52 + 9 * np.sin(flown / 60.0)
    height = 1200 + 300 * np.sin(flown / 90.0)
    heading = (2.0 + weaving * np.sin(flown / 80.0)) + (np.clip(time_s - HELD.start, 0, 240) * 0.05 if turning else 0.0)
    east, north = speed * np.sin(heading) + 6.0, speed * np.cos(heading) - 3.5
    return {
        "indicated_airspeed": speed,
        "pressure_altitude": height,
        "gnss_altitude": height + 31.0 + random.normal(0, 1.0, COUNT),
        "heading_magnetic": heading % (2 * np.pi),
        "ground_speed": np.hypot(east, north) + random.normal(0, 0.05, COUNT),
        "track_true": (np.arctan2(east, north) + random.normal(0, 0.003, COUNT)) % (2 * np.pi),
    }


def find(values: dict[str, Floats]) -> list[Finding]:
    columns = {n: Column(n, v, unit_of_channel(n), f"{n}_header") for n, v in values.items()}
    source = Source("display.csv", "00", 1, "test", 1, "display", Clock("utc"))
    row = np.arange(1, COUNT + 1, dtype=np.int64)
    track = Track(
        "display", np.arange(COUNT, dtype=np.float64), columns, (source,), row, np.zeros(COUNT, dtype=np.int16)
    )
    return find_stuck(track, (track,))


def in_steps(values: dict[str, Floats], channel: str, step: float) -> dict[str, Floats]:
    """The channel in steps; the others with the restlessness of fine ones."""
    random = np.random.default_rng(9)
    return {
        name: np.round(value / step) * step if name == channel else value + random.normal(0, 0.002, COUNT)
        for name, value in values.items()
    }


COARSE = [("indicated_airspeed", KNOT), ("pressure_altitude", 25 * FOOT), ("heading_magnetic", DEGREE)]


@pytest.mark.parametrize(("channel", "step"), COARSE)
def test_coarse_and_held_is_not_stuck(channel: str, step: float) -> None:
    assert find(in_steps(fly(), channel, step)) == []


def test_whole_knots_held_in_a_turn_are_not_stuck() -> None:
    # the ground speed goes up and down by twice the wind, 14 m/s, and says nothing of the airspeed
    values = in_steps(fly(turning=True), "indicated_airspeed", KNOT)
    assert np.ptp(values["ground_speed"][HELD]) > 12.0
    assert not [f for f in find(values) if f.facts["channel"] == "indicated_airspeed"]


@pytest.mark.parametrize("channel", ["pressure_altitude", "heading_magnetic"])
def test_what_an_autopilot_holds_is_not_stuck_without_a_witness(channel: str) -> None:
    values = in_steps(fly(), channel, dict(COARSE)[channel])
    del values["gnss_altitude"], values["track_true"]
    assert find(values) == []


@pytest.mark.parametrize(("channel", "step"), COARSE)
def test_coarse_is_stuck_where_a_witness_moved(channel: str, step: float) -> None:
    weaving = 0.05 if channel == "indicated_airspeed" else 0.6  # the ground speed tells on a straight leg only
    values = in_steps(fly(weaving=weaving), channel, step)
    frozen = slice(600, 780)  # two thirds of a swing of the speed, and more than 25 ft or a degree of the others
    values[channel][frozen] = values[channel][600]
    (found,) = find(values)
    assert found.facts["channel"] == channel and found.facts["witness"] in (
        "ground_speed",
        "gnss_altitude",
        "track_true",
    )
    assert found.start_s == pytest.approx(600.0, abs=15.0) and found.stop_s == pytest.approx(779.0, abs=15.0)


FINE = [("indicated_airspeed", 0.1 * KNOT), ("pressure_altitude", FOOT), ("heading_magnetic", 0.1 * DEGREE)]


@pytest.mark.parametrize(("channel", "step"), FINE)
def test_fine_channels_at_rest_are_stuck_without_a_witness(channel: str, step: float) -> None:
    # a tenth of a knot or of a degree, a foot never rest for four minutes in flight
    values = fly()
    restless = values[channel] + np.random.default_rng(8).normal(0, 2 * step, COUNT)
    values = in_steps(values | {channel: restless}, channel, step)
    values[channel][HELD] = values[channel][1500]
    assert [f.facts["channel"] for f in find(values)] == [channel]
