"""Gear and flap told from the aircraft's response: made flights whose moves are known, and sorties without their switches."""

from __future__ import annotations

import dataclasses
import gzip
import json
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.scoring import Count, score_events
from trimshot.detect.planned_gear import plans_gear_moves
from trimshot.detect.signal import make_grid
from trimshot.detect.states import States, find_states
from trimshot.detect.witness import confidence_of
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.recording import Recording
from trimshot.shared.recording import TestCard as Card
from trimshot.shared.settings import Settings, parse_settings

Floats = NDArray[np.float64]
RecordingBuilder = Callable[..., Recording]
SORTIES = Path(__file__).parent.parent / "data" / "sorties"
RETRACTS = parse_settings("[aircraft]\nretractable_gear = true\n", "test")
FIXED = parse_settings("[aircraft]\nretractable_gear = false\n", "test")

STEP_S = 0.2
GRAVITY = 9.80665
LOADING_PA = 800.0
GEAR_DOWN_S = ((0.0, 90.0), (600.0, 800.0), (1300.0, 1500.0))
FLIGHT_S = (60.0, 1470.0)


def made_flight(*, gear_s: tuple[tuple[float, float], ...] = GEAR_DOWN_S, seed: int = 3) -> dict[str, Any]:
    """A light retractable at constant propeller speed: level legs at three powers, the drag its polar asks for.

    CD = 0.026 + 0.05 CL^2, gear 0.018; thrust = 0.78 power / V with 120 kW at full manifold pressure; the
    airspeed is what balances the forces at zero climb within half a metre a second: what is left goes into climb.
    """
    time_s = np.arange(0.0, 1530.0, STEP_S)
    power_share = np.select([time_s < 300, time_s < 900, time_s < 1100, time_s < 1300], [0.9, 0.6, 0.8, 0.5], 0.35)
    speed = np.interp(time_s, [0, 30, 60, 80, 300, 330, 900, 930, 1100, 1150, 1300, 1330, 1470, 1500, 1530],
                      [0, 0, 30, 42, 45, 55, 52, 60, 58, 50, 46, 40, 32, 5, 0])  # fmt: skip
    pressure = 0.5 * 1.225 * np.maximum(speed, 15.0) ** 2
    down = np.zeros(len(time_s))
    for first, last in gear_s:
        down = np.maximum(down, np.clip(np.minimum(time_s - first, last - time_s) / 7.0 + 0.5, 0.0, 1.0))
    lift = LOADING_PA / pressure
    drag = pressure / LOADING_PA * (0.026 + 0.05 * lift**2 + 0.018 * down)
    thrust = 0.78 * 120e3 * power_share / np.maximum(speed, 20.0) / (1100.0 * GRAVITY)
    flying = (time_s >= FLIGHT_S[0]) & (time_s < FLIGHT_S[1])
    rng = np.random.default_rng(seed)
    climb = np.where(flying, (thrust - drag) * speed - speed / GRAVITY * np.gradient(speed, STEP_S), 0.0)
    height = 1000.0 + np.cumsum(np.where(flying, climb, 0.0)) * STEP_S
    height = np.where(time_s >= FLIGHT_S[1], height[int(FLIGHT_S[1] / STEP_S) - 1], height)
    shift = height[-1] - 1000.0  # it lands where it took off: the difference is flown off evenly
    height = height - shift * np.clip((time_s - FLIGHT_S[0]) / (FLIGHT_S[1] - FLIGHT_S[0]), 0, 1)
    angle = np.radians(-2.0) + LOADING_PA / 4.8 / pressure
    path = np.gradient(height, STEP_S) / np.maximum(speed, 15.0)
    n = len(time_s)
    return {
        "time_s": time_s, "indicated_airspeed": speed, "true_airspeed": speed,
        "pressure_altitude": height + rng.normal(0, 0.05, n),
        "pitch": np.where(flying, angle + path, 0.0) + rng.normal(0, np.radians(0.2), n),
        "normal_load_factor": 1.0 + rng.normal(0, 0.01, n), "engine_speed": np.full(n, 40.0),
        "manifold_pressure": 9e4 * power_share + rng.normal(0, 50.0, n),
        "weight_on_wheels": 1.0 - flying.astype(float),
    }  # fmt: skip


def states_of(recording: Recording, settings: Settings) -> States:
    return find_states(make_grid(recording), settings, recording)


def test_the_gears_drag_tells_its_moves_where_it_is_known_to_retract(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(display=made_flight()), RETRACTS)
    moves = [(e.kind, e.time_s) for e in states.events if e.kind.startswith("gear")]
    planted = [("gear_up", 90.0), ("gear_down", 600.0), ("gear_up", 800.0), ("gear_down", 1300.0)]
    assert [kind for kind, _ in moves] == [kind for kind, _ in planted]
    for (_, found), (_, true) in zip(moves, planted, strict=True):
        assert abs(found + 3.5 - true) <= 6.0  # the middle of the travel
    assert max(e.confidence for e in states.events) <= 0.7
    assert [states.courses["gear"].at(t) for t in (300.0, 700.0, 1000.0, 1400.0)] == ["up", "down", "up", "down"]
    assert any(f.code == "STATE_INFERRED" and f.where == "gear" for f in states.findings)


def test_a_gear_said_to_be_fixed_is_not_looked_for(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(display=made_flight()), FIXED)
    assert not [e for e in states.events if e.kind.startswith("gear")]
    assert set(states.labels["gear"]) == {"fixed"}


def test_without_a_gear_no_gear_is_told(make_recording: RecordingBuilder) -> None:
    """The same flight without the drag of a gear, and settings that say nothing."""
    states = states_of(make_recording(display=made_flight(gear_s=())), Settings())
    assert not [e for e in states.events if e.kind.startswith("gear")]
    assert set(states.labels["gear"]) == {"unknown"}
    assert any(f.code == "NOT_ATTEMPTED" and f.where == "gear" for f in states.findings)


def test_a_gear_nobody_vouches_for_is_told_with_less_confidence(make_recording: RecordingBuilder) -> None:
    """A governed propeller, and drag that flaps alone cannot explain: nothing in the settings, nothing on the card."""
    states = states_of(make_recording(display=made_flight()), Settings())
    moves = [e for e in states.events if e.kind.startswith("gear")]
    assert [e.kind for e in moves] == ["gear_up", "gear_down", "gear_up", "gear_down"]
    assert all(e.confidence <= 0.5 for e in moves)
    assert any("told from the drag too" in f.text for f in states.findings if f.where == "gear")


@pytest.mark.parametrize(
    ("plan", "moves"),
    [
        (("glide 80 clean", "glide 80 gear"), True),
        (("level 90 gear up", "level 80 gear up"), True),
        (("glide 80 clean, u/c up",), True),
        (("glide 80 gear_half_flap", "glide 70 clean_low_rpm"), True),
        (("glide 80 gear down", "glide 70 gear down"), False),  # always down: it may be welded there
        (("glide 70 flap_1", "glide 60 flap_2"), False),
        (("climb, change gearbox oil pressure limit",), False),
        ((), False),
    ],
)
def test_a_card_speaks_of_the_gear_only_where_there_is_a_choice(plan: tuple[str, ...], moves: bool) -> None:
    card = Card(planned_points=tuple({"text": text} for text in plan))
    assert plans_gear_moves(card) is moves


def test_the_crews_card_vouches_for_a_gear_that_moves(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display=made_flight())
    card = Card(planned_points=({"configuration": "clean"}, {"configuration": "gear_high_rpm"}))
    planned = states_of(dataclasses.replace(recording, card=card), Settings())
    known = states_of(recording, RETRACTS)
    assert [(e.kind, e.time_s, e.confidence) for e in planned.events] == [
        (e.kind, e.time_s, e.confidence) for e in known.events
    ]
    assert any("card" in f.text for f in planned.findings if f.where == "gear")


def test_a_mark_of_the_crew_is_a_second_witness() -> None:
    alone, facts = confidence_of(200.0, (100.0, 107.0), np.array([300.0]))
    witnessed, told = confidence_of(200.0, (100.0, 107.0), np.array([98.0]))
    assert (alone, facts) == (0.7, {})
    assert witnessed == 0.9 and told == {"witness": "event_mark", "marked_s": 98.0}
    assert confidence_of(10.0, (100.0, 107.0), np.array([98.0]))[0] < 0.5  # a mark does not make a weak move strong


# --- simulated sorties whose switches are taken away; floors under what is reached -----------------


@cache
def sortie(name: str) -> tuple[Recording, Mapping[str, Any]]:
    recording = read_sortie(SORTIES / f"{name}.zip", Settings())
    return recording, json.loads(gzip.decompress((SORTIES.parent / "truth" / f"{name}.json.gz").read_bytes()))


def without_switches(recording: Recording) -> Recording:
    tracks = []
    for track in recording.tracks:
        kept = {n: c for n, c in track.columns.items() if not n.startswith(("gear_", "flap_"))}
        tracks.append(dataclasses.replace(track, columns=kept))
    return dataclasses.replace(recording, tracks=tuple(tracks))


def counted(names: tuple[str, ...], kinds: tuple[str, ...], settings: Settings) -> Count:
    total = Count()
    for name in names:
        recording, truth = sortie(name)
        zero = recording.start_utc.timestamp()
        events = states_of(without_switches(recording), settings).events
        assert all(e.confidence <= 0.7 for e in events)
        for kind in kinds:
            total += score_events(truth, kind, [e.time_s + zero for e in events if e.kind == kind])
    return total


@pytest.mark.parametrize("settings", [RETRACTS, Settings()], ids=["known", "not known"])
def test_gear_moves_of_simulated_sorties_are_told(settings: Settings) -> None:
    names = ("S250506-01-drag_survey", "S250507-02-patterns", "S250520-01-drag_survey", "S250508-03-speed_power")
    assert counted(names, ("gear_up", "gear_down"), settings).f1 >= 0.90


@pytest.mark.parametrize(
    ("names", "floor"),
    [
        (("S250506-01-drag_survey", "S250507-02-patterns", "S250508-03-speed_power", "S250520-01-drag_survey"), 0.95),
        (("T250603-01-drag_survey", "T250605-01-handling", "T250607-01-patterns"), 0.80),
    ],
)
def test_flap_changes_of_simulated_sorties_are_told(names: tuple[str, ...], floor: float) -> None:
    assert counted(names, ("flap_change",), Settings()).f1 >= floor


def test_a_fixed_gear_aircraft_gets_no_gear_events() -> None:
    for name in ("T250605-01-handling", "T250607-01-patterns"):
        events = states_of(without_switches(sortie(name)[0]), Settings()).events
        assert not [e for e in events if e.kind.startswith("gear")]
