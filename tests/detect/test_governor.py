"""Commands of a governed propeller, on histories of a simple one: it turns at what is asked, or at what its fine stop allows."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.detect.engine import Engine
from trimshot.detect.engine_events import power_events
from trimshot.detect.governor import is_governed, rpm_events
from trimshot.shared.findings import Event
from trimshot.shared.recording import Floats

STEP_S = 0.5
STOP_A_KNOT = 19.05  # rpm a knot on the fine stop, idling
STOP_A_LOAD = 1600.0  # more of it a unit of load
KNOT = 1852.0 / 3600.0

Knots = list[tuple[float, float]]


def line(places: Knots, time_s: Floats) -> Floats:
    times, values = zip(*places, strict=True)
    return np.asarray(np.interp(time_s, times, values), dtype=np.float64)


def fly(*, airspeed_kt: Knots, load: Knots, asked_rpm: Knots) -> Engine:
    """A flight of 600 s; readings in steps of 10 rpm with a little noise."""
    time_s = np.arange(0.0, 600.0, STEP_S)
    random = np.random.default_rng(4)
    air, power = line(airspeed_kt, time_s), line(load, time_s)
    turning = np.minimum(line(asked_rpm, time_s), STOP_A_KNOT * air + STOP_A_LOAD * power)
    shown = np.round((turning + random.normal(0, 2.0, len(time_s))) / 10) * 10 / 60
    flown, gained = np.ones(len(time_s), dtype=bool), power > 0.3
    return Engine(
        time_s=time_s, step_s=STEP_S, speed=shown, speed_channel="engine_speed", load=power,
        load_channel="manifold_pressure", raw=power * 80e3, reach=power, opening=power, fuel=np.full(len(time_s), np.nan),
        airspeed=(air + random.normal(0, 0.1, len(time_s))) * KNOT, airborne=flown, idle_seen=True, gaining=gained,
    )  # fmt: skip


def commands(engine: Engine) -> list[Event]:
    assert is_governed(engine)
    return [e for e in rpm_events(engine, power_events(engine)) if e.kind == "rpm_command"]


CRUISE: Knots = [(0, 110), (40, 135), (80, 112), (120, 135)]


def test_an_idling_propeller_that_meets_a_governed_speed_by_its_airspeed_is_not_told_to() -> None:
    # at 119 kt the fine stop allows 2267 rpm: the very speed held in cruise, and nobody touched the lever again
    engine = fly(
        airspeed_kt=[*CRUISE, (240, 135), (300, 119), (330, 119), (370, 105), (600, 105)],
        load=[(0, 0.7), (240, 0.7), (243, 0.0), (600, 0.0)],
        asked_rpm=[(0, 2265), (150, 2265), (151, 2700), (600, 2700)],
    )
    (only,) = commands(engine)
    assert only.time_s == pytest.approx(150.0, abs=1.5)
    assert float(only.after or 0.0) * 60 == pytest.approx(2700.0, abs=15.0)


def test_a_governed_speed_held_at_idle_is_still_a_command() -> None:
    # at 140 kt the fine stop allows 2667 rpm: 2265 is the governor's, although the airspeed rests as well
    engine = fly(
        airspeed_kt=[*CRUISE, (240, 140), (600, 140)],
        load=[(0, 0.7), (60, 0.7), (200, 0.7), (203, 0.0), (600, 0.0)],
        asked_rpm=[(0, 2265), (70, 2265), (71, 2700), (300, 2700), (301, 2265), (600, 2265)],
    )
    assert [round(e.time_s) for e in commands(engine)] == [
        pytest.approx(70, abs=1.5),
        pytest.approx(300, abs=1.5),
    ]


def test_the_lever_taken_back_seconds_after_power_came_on_is_told() -> None:
    # at 300 s it went to 2700 unseen, on the fine stop. Four seconds at 2700 with power, too short to be held; the power falls a little with it, which could not take 430 rpm away
    engine = fly(
        airspeed_kt=[*CRUISE, (200, 110), (400, 110), (500, 150), (600, 140)],
        load=[(0, 0.7), (200, 0.7), (203, 0.0), (400, 0.0), (402, 0.36), (406, 0.36), (408, 0.31), (600, 0.45)],
        asked_rpm=[
            (0, 2700),
            (150, 2700),
            (151, 2265),
            (300, 2265),
            (301, 2700),
            (406, 2700),
            (407.5, 2265),
            (600, 2265),
        ],
    )
    first, second = commands(engine)
    assert (first.time_s, second.time_s) == pytest.approx((150.0, 406.0), abs=2.0)
    assert (float(second.before or 0.0) * 60, float(second.after or 0.0) * 60) == pytest.approx(
        (2700.0, 2265.0), abs=20.0
    )
