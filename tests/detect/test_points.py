"""Stabilised points of a made flight whose every stretch is known, and what each refused one says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from trimshot.detect.points import find_points
from trimshot.detect.quantities import stuck
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.shared.findings import StabilisedPoint
from trimshot.shared.recording import Recording
from trimshot.shared.settings import PointCriteria, Settings
from trimshot.shared.units import to_si

Floats = NDArray[np.float64]
Found = tuple[tuple[StabilisedPoint, ...], tuple[StabilisedPoint, ...]]

# second, knots, ft/min, degrees of bank, manifold pressure over ambient: straight lines between the rows
PROFILE = (
    (0, 0, 0, 0, 0.4),
    (20, 0, 0, 0, 0.4),
    (21, 5, 0, 0, 0.95),
    (45, 75, 0, 0, 0.95),
    (60, 90, 800, 0, 0.95),
    (120, 90, 800, 0, 0.95),  # climb 60-120
    (140, 110, 0, 0, 0.95),
    (143, 110, 0, 0, 0.70),
    (210, 110, 0, 0, 0.70),  # level 143-210
    (213, 108, -100, 0, 0.30),
    (228, 95, -900, 0, 0.30),
    (290, 95, -900, 0, 0.30),  # glide 228-290
    (320, 107, -1200, 0, 0.30),  # airspeed runs away, 0.4 kt/s
    (330, 80, -500, 0, 0.30),
    (342, 95, -900, 0, 0.30),
    (350, 95, -900, 0, 0.30),
    (357, 95, -1500, 0, 0.30),  # gear goes down 350-357
    (363, 95, -1500, 0, 0.30),
    (373, 80, -800, 0, 0.30),
    (383, 100, 0, 0, 0.75),
    (390, 100, 0, 0, 0.75),
    (394, 100, 0, 30, 0.78),
    (440, 100, 0, 30, 0.78),  # level turn 394-440
    (444, 100, 0, 0, 0.78),
    (452, 100, 0, 0, 0.78),
    (482, 100, 0, 0, 0.98),  # power creeps up at constant speed, level
    (500, 60, -500, 0, 0.30),
)
GEAR_S = (350.0, 357.0)
KNOT, FOOT_PER_MINUTE, FOOT = 0.514444, 0.00508, 0.3048


def display(noise: float = 1.0) -> dict[str, Any]:
    rows = np.array(PROFILE, dtype=float)
    time_s = np.arange(0, 500, 0.1)
    rng = np.random.default_rng(7)
    speed, climb, bank = (np.interp(time_s, rows[:, 0], rows[:, k]) for k in (1, 2, 3))
    altitude = 3000 + np.cumsum(climb / 60 * 0.1)
    turn = np.where(speed > 20, 9.80665 * np.tan(np.radians(bank)) / np.maximum(speed * KNOT, 1), 0)
    flying = speed > 60
    return {
        "time_s": time_s,
        "calibrated_airspeed": (speed + noise * 0.1 * rng.standard_normal(len(time_s)) * flying) * KNOT,
        "pressure_altitude": (altitude + noise * rng.standard_normal(len(time_s))) * FOOT,
        "bank": np.radians(bank + noise * 0.2 * rng.standard_normal(len(time_s))),
        "heading_magnetic": np.mod(1.0 + np.cumsum(turn * 0.1), 2 * np.pi),
        "normal_load_factor": 1 / np.cos(np.radians(bank)) + noise * 0.01 * rng.standard_normal(len(time_s)),
        "pitch": np.radians(3 + climb / 400 + noise * 0.1 * rng.standard_normal(len(time_s))),
    }


def engine() -> dict[str, Any]:
    rows = np.array(PROFILE, dtype=float)
    time_s = np.arange(0.0, 500.0)
    ratio = np.interp(time_s, rows[:, 0], rows[:, 4])
    return {
        "time_s": time_s,
        "manifold_pressure": ratio * 90000.0,  # the air at 3,000 to 4,000 ft, to a few per cent
        "engine_speed": np.where(time_s < 15, 12.0, 40.0),
    }


def discretes() -> dict[str, Any]:
    time_s = np.arange(0, 500, 0.2)
    down = (time_s < 60) | (time_s >= GEAR_S[1])
    up = (time_s >= 62) & (time_s < GEAR_S[0])
    return {
        "time_s": time_s,
        "gear_down_locked": down.astype(float),
        "gear_up_locked": up.astype(float),
        "flap_position": np.zeros(len(time_s)),
        "weight_on_wheels": (time_s < 45).astype(float),
    }


@pytest.fixture
def flight(make_recording: Any) -> Recording:
    recording: Recording = make_recording(display=display(), engine=engine(), discretes=discretes())
    return recording


def points_of(recording: Recording, settings: Settings = Settings()) -> Found:  # noqa: B008
    grid = make_grid(recording)
    return find_points(grid, find_states(grid, settings, recording), settings, recording)


def overlapping(points: tuple[StabilisedPoint, ...], first: float, stop: float) -> list[StabilisedPoint]:
    return [
        p for p in points if min(stop, p.segment.stop_s) - max(first, p.segment.start_s) > 0.4 * p.segment.duration_s
    ]


@pytest.mark.parametrize(
    ("kind", "first", "stop", "gear"),
    [("climb", 60, 120, "up"), ("level", 143, 210, "up"), ("glide", 228, 290, "up"), ("turn", 394, 440, "down")],
)
def test_what_was_held_is_found_whole(flight: Recording, kind: str, first: float, stop: float, gear: str) -> None:
    accepted, _ = points_of(flight)
    found = overlapping(accepted, first, stop)
    assert [p.kind for p in found] == [kind]
    # from the drawn corner the airspeed needs 2.5 kt / 0.4 kt/s = 6 s to leave its band, its 3 s mean 1.5 s more
    assert found[0].segment.start_s == pytest.approx(first, abs=8.0)
    assert found[0].segment.stop_s == pytest.approx(stop, abs=8.0)
    assert found[0].state.gear == gear
    assert 0 <= found[0].score <= 1
    assert found[0].reasons == ()


@pytest.mark.parametrize(
    ("first", "stop", "criterion"),
    [(292, 320, "airspeed_trend"), (343, 363, "gear_moving"), (452, 482, "manifold_pressure")],
)
def test_what_was_not_held_is_refused_with_its_reason(
    flight: Recording, first: float, stop: float, criterion: str
) -> None:
    accepted, refused = points_of(flight)
    assert criterion in {r.criterion for p in overlapping(refused, first, stop) for r in p.reasons}
    inside = [p for p in accepted if p.segment.start_s >= first + 5 and p.segment.stop_s <= stop - 2]
    assert inside == []


def test_a_reason_gives_measure_and_limit_in_the_pilots_units(flight: Recording) -> None:
    _, refused = points_of(flight)
    reason = next(r for p in refused for r in p.reasons if r.criterion == "airspeed_trend" and (r.measured or 0) > 0.15)
    assert reason.unit == "m/s2" and reason.limit == pytest.approx(0.07 * KNOT, rel=1e-4)
    shown = f"{(reason.measured or 0) / KNOT:.2f}"
    assert reason.text == f"trend {shown} kt/s > 0.07 kt/s"
    metric = Settings(display={"speed": "km/h"})
    _, refused = points_of(flight, metric)
    texts = [r.text for p in refused for r in p.reasons if r.criterion == "airspeed_trend"]
    assert texts and all("km/h/s" in text for text in texts)


def test_every_accepted_point_meets_the_criteria_redone_from_the_rows(flight: Recording) -> None:
    accepted, _ = points_of(flight)
    limits, track = PointCriteria(), flight.track("display")
    assert len(accepted) >= 4
    for point in accepted:
        rows = (track.time_s >= point.segment.start_s) & (track.time_s < point.segment.stop_s)
        time_s, speed = track.time_s[rows], track.columns["calibrated_airspeed"].values[rows]
        assert point.segment.duration_s >= limits.minimum_duration - 1e-6
        trend = np.polyfit(time_s - time_s[0], speed, 1)[0]
        assert abs(trend) <= limits.airspeed_trend * 1.02
        mean_3s = np.convolve(speed, np.ones(31) / 31, mode="valid")
        assert np.abs(mean_3s - speed.mean()).max() <= limits.airspeed_band * 1.05
        bank = np.convolve(track.columns["bank"].values[rows], np.ones(31) / 31, mode="valid")
        if point.kind == "turn":
            assert np.abs(bank - bank.mean()).max() <= limits.turn_bank_band * 1.05
        else:
            assert np.abs(bank).max() <= limits.bank
        got = point.statistics["calibrated_airspeed"]
        assert got.mean == pytest.approx(speed.mean()) and got.count == rows.sum()
        assert "engine_speed" in point.statistics and "heading_magnetic" in point.statistics


def test_points_do_not_overlap_and_come_in_order(flight: Recording) -> None:
    accepted, refused = points_of(flight)
    for group in (accepted, refused):
        times = [t for p in group for t in (p.segment.start_s, p.segment.stop_s)]
        assert times == sorted(times)
    for point in refused:
        assert point.reasons
        assert not any(
            p.segment.start_s < point.segment.stop_s - 1e-6 and point.segment.start_s < p.segment.stop_s - 1e-6
            for p in accepted
        )


def test_nothing_is_a_point_on_the_ground(flight: Recording) -> None:
    accepted, refused = points_of(flight)
    assert all(p.segment.start_s >= 45 for p in (*accepted, *refused))


def test_the_same_answer_twice(flight: Recording) -> None:
    assert [p.segment for p in points_of(flight)[0]] == [p.segment for p in points_of(flight)[0]]


def test_a_gap_in_the_rows_ends_a_point(make_recording: Any) -> None:
    shown = display()
    keep = (shown["time_s"] < 170) | (shown["time_s"] > 180)
    holed = {name: np.asarray(values)[keep] for name, values in shown.items()}
    accepted, _ = points_of(make_recording(display=holed, engine=engine(), discretes=discretes()))
    assert all(p.segment.stop_s <= 170.3 or p.segment.start_s >= 179.8 for p in accepted)
    assert len(overlapping(accepted, 143, 170)) == 1 and len(overlapping(accepted, 180, 210)) == 1


def test_a_stuck_airspeed_is_no_perfect_point(make_recording: Any) -> None:
    shown = display()
    frozen = (shown["time_s"] >= 240) & (shown["time_s"] < 280)
    shown["calibrated_airspeed"] = np.where(frozen, 95 * KNOT, shown["calibrated_airspeed"])
    accepted, _ = points_of(make_recording(display=shown, engine=engine(), discretes=discretes()))
    assert all(p.segment.stop_s <= 240.5 or p.segment.start_s >= 279.5 for p in accepted)


def test_a_coarse_instrument_is_not_called_stuck() -> None:
    rng = np.random.default_rng(3)
    coarse = np.round(95 + 0.25 * rng.standard_normal(3000).cumsum() * 0.05)
    assert not stuck(coarse, 0.2).any()
    fine = 95 + 0.1 * np.round(rng.standard_normal(3000) * 2)
    fine[1000:1200] = 95.3
    assert stuck(fine, 0.2)[1001:1199].all()
    assert not stuck(fine, 0.2)[:990].any()


@pytest.mark.parametrize("missing", ["bank", "heading_magnetic", "normal_load_factor", "pitch"])
def test_a_missing_channel_is_no_failure(make_recording: Any, missing: str) -> None:
    shown = {name: values for name, values in display().items() if name != missing}
    accepted, _ = points_of(make_recording(display=shown, engine=engine(), discretes=discretes()))
    assert [p.kind for p in overlapping(accepted, 228, 290)] == ["glide"]


def test_without_an_engine_record_a_descent_is_not_called_a_glide(make_recording: Any) -> None:
    accepted, _ = points_of(make_recording(display=display(), discretes=discretes()))
    found = overlapping(accepted, 228, 290)
    assert [(p.kind, p.state.power) for p in found] == [("descent", "unknown")]


def test_without_switches_the_aircrafts_answer_ends_the_point(make_recording: Any) -> None:
    accepted, _ = points_of(make_recording(display=display(), engine=engine()))
    across = [p for p in accepted if p.segment.start_s < 345 and p.segment.stop_s > 360]
    assert across == []


@pytest.mark.parametrize(
    "columns",
    [
        {"time_s": [], "calibrated_airspeed": []},
        {"time_s": [0.0], "calibrated_airspeed": [50.0]},
        {"time_s": np.arange(5.0), "calibrated_airspeed": np.full(5, np.nan), "pressure_altitude": np.zeros(5)},
        {"time_s": np.arange(100.0), "pressure_altitude": np.zeros(100)},
        {"time_s": np.arange(100.0), "calibrated_airspeed": np.full(100, 50.0)},
    ],
)
def test_next_to_nothing_gives_nothing(make_recording: Any, columns: Mapping[str, Any]) -> None:
    assert points_of(make_recording(display=columns)) == ((), ())


def test_looser_settings_admit_more(flight: Recording) -> None:
    strict, _ = points_of(flight)
    loose = PointCriteria().model_copy(
        update={
            "airspeed_trend": to_si(1.0, "kt/s"),
            "airspeed_drift": to_si(20, "kt"),
            "airspeed_band": to_si(8, "kt"),
            "vertical_speed_deviation": to_si(400, "fpm"),
        }
    )
    more, _ = points_of(flight, Settings(points=loose))
    assert sum(p.segment.duration_s for p in more) > sum(p.segment.duration_s for p in strict)


def cruise(speed_kt: Floats, revolutions: Floats) -> dict[str, Any]:
    """Level flight at a tenth of a second a row; a quarter of a minute of standing first, so that flying shows."""
    time_s = np.arange(len(speed_kt)) / 10.0
    rng = np.random.default_rng(5)
    n = len(time_s)
    standing = time_s < 15
    return {
        "time_s": time_s,
        "calibrated_airspeed": np.where(standing, 0.0, speed_kt + 0.1 * rng.standard_normal(n)) * KNOT,
        "pressure_altitude": (3000 + np.where(standing, 0, 500) + rng.standard_normal(n)) * FOOT,
        "bank": np.radians(0.2 * rng.standard_normal(n)),
        "engine_speed": np.where(standing, 12.0, revolutions * (1 + 0.0005 * rng.standard_normal(n))),
        "weight_on_wheels": standing.astype(float),
    }


def level_points(recording: Recording, settings: Settings = Settings()) -> list[tuple[float, float]]:  # noqa: B008
    accepted, _ = points_of(recording, settings)
    return [(p.segment.start_s, p.segment.stop_s) for p in accepted if p.kind == "level"]


def test_a_fixed_pitch_propeller_that_follows_the_airspeed_is_steady_power(make_recording: Any) -> None:
    """revolutions ~ airspeed^0.5: torque constant at half its static coefficient, 1 - cQ / cQ(static) = 0.5."""
    time_s = np.arange(0, 90, 0.1)
    speed = 90 + 1.5 * np.sin(2 * np.pi * time_s / 25)
    found = level_points(make_recording(display=cruise(speed, 40.0 * (speed / 90) ** 0.5)))
    assert len(found) == 1 and found[0][1] - found[0][0] > 60


def test_throttle_moved_on_a_fixed_pitch_propeller_is_refused(make_recording: Any) -> None:
    """The same airspeed, but the revolutions go their own way by 2 %, too slowly for a step."""
    time_s = np.arange(0, 90, 0.1)
    speed = 90 + 1.5 * np.sin(2 * np.pi * time_s / 25)
    own = 1 + 0.01 * np.sin(2 * np.pi * time_s / 22 + 1.0)
    recording = make_recording(display=cruise(speed, 40.0 * own))
    assert level_points(recording) == []
    _, refused = points_of(recording)
    assert "engine_speed_scatter" in {r.criterion for p in refused for r in p.reasons}


def test_a_short_wave_beyond_a_limit_does_not_cut_a_point_in_two(make_recording: Any) -> None:
    time_s = np.arange(0, 110, 0.1)
    speed = 90 + 3.2 * np.exp(-(((time_s - 60) / 2.5) ** 2))  # 3.2 kt for some seconds, the band is 2.5 kt
    recording = make_recording(display=cruise(speed, np.full(len(time_s), 40.0)))
    whole = level_points(recording)
    assert len(whole) == 1 and whole[0][1] - whole[0][0] > 80
    strict = Settings(points=PointCriteria(hold_factor=1.0))
    cut = level_points(recording, strict)
    assert len(cut) == 2 and cut[0][1] < 60 < cut[1][0] + 4
