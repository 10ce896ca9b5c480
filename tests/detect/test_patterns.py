"""Landing patterns flown by the numbers: legs, key points and what they were called."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.run import detect
from trimshot.shared.findings import Detection, Event, Manoeuvre
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings

RecordingBuilder = Callable[..., Recording]
EARTH_M_PER_DEG = 6371008.8 * np.pi / 180
SPEED = 45.0
RUNWAY = np.radians(70.0)
GROUND = 150.0
AT = (47.5, 11.3)


class Course:
    """A path flown segment by segment at 5 samples a second, level or at a given climb rate."""

    def __init__(self, along: float, right: float, height: float, direction: float) -> None:
        self.rows: list[tuple[float, float, float, float, float]] = []
        self.along, self.right, self.height, self.direction = along, right, height, direction

    def fly(self, seconds: float, *, turn: float = 0.0, climb: float = 0.0, speed: float = SPEED) -> Course:
        """turn [rad/s], right positive; climb [m/s]; direction counts from the runway's."""
        for _ in range(round(seconds * 5)):
            self.rows.append((self.along, self.right, self.height, self.direction, speed))
            self.direction += turn / 5
            self.along += speed * np.cos(self.direction) / 5
            self.right += speed * np.sin(self.direction) / 5
            self.height += climb / 5
        return self

    def columns(self, manifold: Floats | None = None) -> dict[str, Floats]:
        along, right, height, direction, speed = np.array(self.rows).T
        north = along * np.cos(RUNWAY) - right * np.sin(RUNWAY)
        east = along * np.sin(RUNWAY) + right * np.cos(RUNWAY)
        turning = np.gradient(direction) * 5
        out = {
            "time_s": np.arange(len(along)) / 5.0,
            "indicated_airspeed": speed,
            "true_airspeed": speed,
            "ground_speed": speed,
            "pressure_altitude": height + GROUND,
            "heading_true": (direction + RUNWAY) % (2 * np.pi),
            "track_true": (direction + RUNWAY) % (2 * np.pi),
            "bank": np.arctan(speed * turning / 9.80665),
            "latitude": AT[0] + north / EARTH_M_PER_DEG,
            "longitude": AT[1] + east / EARTH_M_PER_DEG / np.cos(np.radians(AT[0])),
        }
        return out | ({} if manifold is None else {"manifold_pressure": manifold})


TURN_S = 30.0
TURN = np.pi / TURN_S  # half a circle: diameter 2 V / w = 859 m
WIDE = 2 * SPEED / TURN


def overhead_approach() -> Course:
    """Take-off, a wide circuit to come back over the touchdown point at 600 m, then down the left-hand pattern."""
    course = Course(-2000.0, 0.0, 0.0, 0.0).fly(40.0, speed=0.0)
    for k in range(20):
        course.fly(1.0, speed=2.0 * k)
    course.fly(200.0, climb=3.0).fly(TURN_S, turn=-TURN)  # 600 m up
    course.fly(course.along / SPEED + 90.0).fly(TURN_S, turn=-TURN)
    course.right = 0.0
    course.fly(-course.along / SPEED)  # now over the point, 600 m up
    return course


def down(course: Course, *, sink: float) -> Course:
    """From over the point: turn left, downwind past abeam, turn left, final, land at along = 0."""
    course.fly(TURN_S, turn=-TURN, climb=-sink).fly(20.0, climb=-sink).fly(TURN_S, turn=-TURN, climb=-sink)
    seconds = -course.along / SPEED
    rate = course.height / (seconds - 5.0)
    course.fly(seconds - 10.0, climb=-rate).fly(10.0, climb=-course.height / 10.0)
    course.height = 0.0
    for k in range(20):
        course.fly(1.0, speed=SPEED * (1 - k / 20))
    return course.fly(40.0, speed=0.0)


def detection_of(make_recording: RecordingBuilder, course: Course, idle_from_s: float | None) -> Detection:
    n = len(course.rows)
    manifold = None
    if idle_from_s is not None:
        manifold = np.where(np.arange(n) / 5.0 < idle_from_s, 8.0e4, 2.0e4)
        manifold[:300] = 4.5e4
    return detect(make_recording(display=course.columns(manifold)), Settings())


def the(detection: Detection, *kinds: str) -> Manoeuvre:
    (one,) = [m for m in detection.manoeuvres if m.kind in kinds]
    return one


def event(detection: Detection, kind: str) -> Event:
    (one,) = [e for e in detection.events if e.kind == kind]
    return one


@pytest.fixture
def power_off(make_recording: RecordingBuilder) -> tuple[Detection, float]:
    course = overhead_approach()
    over_s = len(course.rows) / 5.0
    return detection_of(make_recording, down(course, sink=3.5), over_s), over_s


def test_a_power_off_pattern_has_its_key_points(power_off: tuple[Detection, float]) -> None:
    detection, over_s = power_off
    facts = the(detection, "power_off_pattern", "pattern", "straight_in").facts
    assert the(detection, "power_off_pattern")
    assert facts["side"] == "left"
    assert facts["ends_in"] == "landing"
    # over the point at 600 m; abeam it after half a circle of 859 m diameter and 30 s at 3.5 m/s down
    assert facts["overhead_s"] == pytest.approx(over_s, abs=1.5)
    assert facts["overhead_height_m"] == pytest.approx(600.0, abs=10.0)
    assert facts["overhead_distance_m"] < 100.0
    assert facts["abeam_s"] == pytest.approx(over_s + TURN_S, abs=3.0)
    assert facts["abeam_height_m"] == pytest.approx(600.0 - 3.5 * TURN_S, abs=15.0)
    assert facts["abeam_lateral_m"] == pytest.approx(-WIDE, abs=30.0)
    assert facts["abeam_airspeed"] == pytest.approx(SPEED, abs=0.5)
    assert [p["abeam_s"] for p in facts["abeam_passes"]] == [facts["abeam_s"]]
    assert event(detection, "high_key").time_s == facts["overhead_s"]
    assert event(detection, "low_key").facts["height_m"] == facts["abeam_height_m"]


def test_after_a_further_circle_there_is_no_low_key(make_recording: RecordingBuilder) -> None:
    course = overhead_approach()
    over_s = len(course.rows) / 5.0
    course.fly(2 * TURN_S, turn=-TURN, climb=-2.0)  # a whole circle, abeam after half of it
    course.along -= 3000.0  # carried off: the last downwind begins past the point
    detection = detection_of(make_recording, down(course, sink=2.0), over_s)
    facts = the(detection, "power_off_pattern", "pattern", "straight_in").facts
    assert facts["abeam_s"] is None
    assert [round(p["abeam_s"] - over_s) for p in facts["abeam_passes"]] == [pytest.approx(TURN_S, abs=3.0)]
    assert not [e for e in detection.events if e.kind == "low_key"]


def test_its_legs_are_phases_in_their_order(power_off: tuple[Detection, float]) -> None:
    detection, over_s = power_off
    legs = [p.kind for p in detection.phases if p.kind in ("overhead", "downwind", "base", "final", "flare", "roll")]
    assert legs[:4] == ["overhead", "downwind", "base", "final"]
    assert legs[-1] == "roll"
    starts = {p.kind: p.segment.start_s for p in detection.phases}
    # the angles of the legs: 145 and 30 degrees of the half circles before and after downwind
    assert starts["downwind"] == pytest.approx(over_s + TURN_S * 145 / 180, abs=2.0)
    assert starts["base"] == pytest.approx(over_s + TURN_S + 20.0 + TURN_S * 35 / 180, abs=2.0)
    assert starts["final"] == pytest.approx(over_s + 2 * TURN_S + 20.0 - TURN_S * 30 / 180, abs=2.0)


def test_with_power_it_is_a_pattern_with_a_break(make_recording: RecordingBuilder) -> None:
    course = overhead_approach()
    over_s = len(course.rows) / 5.0
    detection = detection_of(make_recording, down(course, sink=3.5), 1e9)
    assert the(detection, "pattern", "power_off_pattern", "straight_in").kind == "pattern"
    assert event(detection, "break_turn").time_s == pytest.approx(over_s, abs=3.0)
    assert not [e for e in detection.events if e.kind == "high_key"]


def test_without_position_the_legs_are_told_and_the_key_points_are_not(make_recording: RecordingBuilder) -> None:
    columns = down(overhead_approach(), sink=3.5).columns()
    for name in ("latitude", "longitude"):
        del columns[name]
    detection = detect(make_recording(display=columns), Settings())
    facts = the(detection, "pattern").facts
    assert facts["overhead_s"] is None
    assert facts["abeam_s"] is None
    assert {"downwind", "base", "final"} <= {p.kind for p in detection.phases}


def test_a_straight_approach_has_no_pattern(make_recording: RecordingBuilder) -> None:
    course = Course(-9000.0, 0.0, 0.0, 0.0).fly(40.0, speed=0.0)
    for k in range(20):
        course.fly(1.0, speed=2.0 * k)
    course.fly(60.0, climb=5.0).fly(60.0)
    seconds = 100.0
    course.fly(seconds, climb=-3.0)
    course.height = 0.0
    for k in range(20):
        course.fly(1.0, speed=SPEED * (1 - k / 20))
    detection = detect(make_recording(display=course.fly(30.0, speed=0.0).columns()), Settings())
    one = the(detection, "straight_in")
    assert one.facts["ends_in"] == "landing"
    assert {p.kind for p in detection.phases} & {"downwind", "base", "overhead"} == set()
