"""The whole of detect: stored simulated sorties against their truth, determinism, odd recordings."""

from __future__ import annotations

import dataclasses
import gzip
import json
from collections.abc import Callable, Mapping
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.detect import run
from trimshot.detect.points import find_points
from trimshot.detect.run import detect
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.codes import CODES
from trimshot.shared.findings import Detection
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Aircraft, Settings
from trimshot.shared.vocabulary import STATES

RecordingBuilder = Callable[..., Recording]
SORTIES = Path(__file__).parent.parent / "data" / "sorties"
PATTERNS = "S250507-02-patterns"  # seven gear cycles, flaps, touch-and-goes, go-arounds; discretes recorded
HANDLING = "S250509-04-handling"  # three stalls among manoeuvres
CROSS_COUNTRY = "S250510-05-cross_country"  # rough air, inattentive pilot: the negative control
FIXED_PITCH = "T250607-01-patterns"  # no discretes, no manifold pressure
POWER = ("power_change", "power_to_idle", "power_from_idle")


@cache
def sortie(name: str) -> tuple[Recording, Detection, Mapping[str, Any]]:
    recording = read_sortie(SORTIES / f"{name}.zip", Settings())
    truth = json.loads(gzip.decompress((SORTIES.parent / "truth" / f"{name}.json.gz").read_bytes()))
    return recording, detect(recording, Settings()), truth


def counts(name: str, kinds: tuple[str, ...], tolerance_s: float) -> tuple[int, int, int]:
    """True, false and missed events: each true interval, widened by the tolerance, takes one found time.

    Movements on the ground are neither asked for nor held against the detector.
    """
    recording, detection, truth = sortie(name)
    zero = recording.start_utc.timestamp()
    found = sorted(e.time_s + zero for e in detection.events if e.kind in kinds)
    wanted = [e for e in truth["events"] if e["type"] in kinds]
    free = list(found)
    hits = 0
    for event in sorted((e for e in wanted if not e.get("on_ground")), key=lambda e: e["start"]):
        near = [t for t in free if event["start"] - tolerance_s <= t <= event["end"] + tolerance_s]
        if near:
            hits += 1
            free.remove(min(near, key=lambda t: abs(t - event["start"])))
    false = [t for t in free if not any(e["start"] - tolerance_s <= t <= e["end"] + tolerance_s for e in wanted)]
    return hits, len(false), len([e for e in wanted if not e.get("on_ground")]) - hits


def f1(name: str, kinds: tuple[str, ...], tolerance_s: float = 4.0) -> float:
    true, false, missed = counts(name, kinds, tolerance_s)
    return 2 * true / (2 * true + false + missed)


@pytest.mark.parametrize("name", [PATTERNS, HANDLING, CROSS_COUNTRY])
@pytest.mark.parametrize("kind", ["gear_up", "gear_down", "flap_change"])
def test_recorded_gear_and_flap_movements_are_all_found_and_no_other(name: str, kind: str) -> None:
    assert counts(name, (kind,), 4.0)[1:] == (0, 0)


@pytest.mark.parametrize("name", [PATTERNS, HANDLING, CROSS_COUNTRY, FIXED_PITCH])
@pytest.mark.parametrize("kind", ["liftoff", "touchdown"])
def test_lift_offs_and_touchdowns_are_found_within_three_seconds(name: str, kind: str) -> None:
    assert counts(name, (kind,), 3.0)[1:] == (0, 0)


def test_stalls_are_found_and_rough_air_is_none() -> None:
    assert counts(HANDLING, ("stall_onset",), 4.0) == (3, 0, 0)
    assert counts(CROSS_COUNTRY, ("stall_onset",), 4.0) == (0, 0, 0)


def test_go_arounds_are_found() -> None:
    assert counts(PATTERNS, ("go_around",), 4.0)[1:] == (0, 0)
    assert counts(FIXED_PITCH, ("go_around",), 4.0)[1:] == (0, 0)


def test_power_and_rpm_commands_are_mostly_found() -> None:
    """Floors under what is reached: movements that leave no trace in the log cannot be found."""
    assert f1(PATTERNS, POWER) >= 0.82
    assert f1(FIXED_PITCH, POWER) >= 0.80
    assert f1(PATTERNS, ("rpm_command",)) >= 0.85
    assert counts(FIXED_PITCH, ("rpm_command",), 4.0) == (0, 0, 0)  # nothing to command


def test_flaps_nobody_recorded_are_told_with_low_confidence() -> None:
    _, detection, _ = sortie(FIXED_PITCH)
    flap = [e for e in detection.events if e.kind == "flap_change"]
    assert flap
    assert max(e.confidence for e in flap) <= 0.7
    assert any(f.code == "STATE_INFERRED" for f in detection.findings)
    true, false, _ = counts(FIXED_PITCH, ("flap_change",), 4.0)
    assert true / (true + false) >= 0.6


@pytest.mark.parametrize("name", [PATTERNS, FIXED_PITCH])
def test_the_same_recording_and_settings_give_the_same_answer(name: str) -> None:
    recording, first, _ = sortie(name)
    second = detect(recording, Settings())
    assert second.events == first.events
    assert second.runs == first.runs
    assert second.states == first.states
    assert second.phases == first.phases
    assert second.findings == first.findings
    assert second.settings_hash == Settings().digest()


def test_states_and_phases_are_known_before_points_are_sought(monkeypatch: pytest.MonkeyPatch) -> None:
    recording, whole, _ = sortie(HANDLING)
    asked: list[int] = []

    def count(*some: Any) -> Any:
        asked.append(len(asked))
        return find_points(*some)

    monkeypatch.setattr(run, "find_points", count)
    outline = run.look(recording, Settings())
    assert (outline.runs, asked) == (whole.runs, [])
    assert [p.segment for p in outline.detection.points] == [p.segment for p in whole.points]
    assert outline.detection is outline.detection
    assert asked == [0]


def test_the_recording_is_left_as_it_was() -> None:
    recording, _, _ = sortie(HANDLING)
    before = [c.values.copy() for t in recording.tracks for c in t.columns.values() if not c.is_text]
    detect(recording, Settings())
    after = [c.values for t in recording.tracks for c in t.columns.values() if not c.is_text]
    for one, other in zip(before, after, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("name", [PATTERNS, HANDLING, CROSS_COUNTRY, FIXED_PITCH])
def test_every_row_and_finding_is_of_the_agreed_kind(name: str) -> None:
    _, detection, _ = sortie(name)
    assert {run.channel for run in detection.runs} == set(STATES)
    for channel in STATES:
        rows = [run.segment for run in detection.runs if run.channel == channel]
        assert all(a.stop_s == b.start_s for a, b in pairwise(rows))
    assert all(f.code in CODES for f in detection.findings)
    for event in detection.events:
        assert event.stop_s >= event.time_s
        assert event.uncertainty_s >= 0.0
        assert 0.0 < event.confidence <= 1.0
        assert np.isfinite(event.uncertainty_s)


def test_a_recorder_that_is_missing_is_a_finding_and_changes_nothing_else() -> None:
    recording, whole, _ = sortie(PATTERNS)
    with_gear = next(t.name for t in recording.tracks if "gear_lever" in t.columns)
    poorer = dataclasses.replace(recording, tracks=tuple(t for t in recording.tracks if t.name != with_gear))
    detection = detect(poorer, Settings(aircraft=Aircraft(retractable_gear=None, governed_propeller=False)))
    assert {r.value for r in detection.runs if r.channel == "gear"} == {"unknown"}
    assert any(f.code == "NOT_ATTEMPTED" and f.where == "gear" for f in detection.findings)
    kept = {e.kind: e.time_s for e in whole.events if e.kind.startswith("power")}
    assert kept == {e.kind: e.time_s for e in detection.events if e.kind.startswith("power")}


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        (("gnss_altitude", "ground_speed"), ["no airspeed"]),
        (("indicated_airspeed",), ["no height"]),
        (("ground_speed",), ["no airspeed and no height"]),
        (("indicated_airspeed", "pressure_altitude"), []),
    ],
)
def test_points_that_cannot_be_looked_for_are_told_of(
    make_recording: RecordingBuilder, columns: tuple[str, ...], told: list[str]
) -> None:
    time_s = np.arange(600.0)
    recording = make_recording(display={"time_s": time_s, **{name: np.full(600, 60.0) for name in columns}})
    found = [f.text for f in detect(recording, Settings()).findings if f.where == "points"]
    assert [text for text in found if "not looked for" in text] == [
        f"stabilised points were not looked for: {one} that could serve is recorded" for one in told
    ]


# --- odd recordings -----------------------------------------------------------------------------


@pytest.mark.parametrize("rows", [0, 1, 2, 3, 6])
def test_recordings_too_short_for_anything_raise_nothing(make_recording: RecordingBuilder, rows: int) -> None:
    time_s = np.arange(float(rows))
    columns = ("indicated_airspeed", "pressure_altitude", "engine_speed", "manifold_pressure", "pitch",
               "normal_load_factor", "gear_down_locked", "gear_up_locked", "flap_position", "weight_on_wheels")  # fmt: skip
    detection = detect(make_recording(display={"time_s": time_s, **{c: np.ones(rows) for c in columns}}), Settings())
    assert detection.points == ()


@pytest.mark.parametrize(
    "channel",
    ["indicated_airspeed", "engine_speed", "fuel_flow", "flap_position", "gear_position", "pitch", "gear_lever"],
)
@pytest.mark.parametrize("value", [np.nan, 0.0, 1.0])
def test_a_channel_without_life_invents_no_events(make_recording: RecordingBuilder, channel: str, value: float) -> None:
    recording = make_recording(display={"time_s": np.arange(600.0), channel: np.full(600, value)})
    assert detect(recording, Settings()).events == ()


def test_all_channels_missing_at_random_raise_nothing(make_recording: RecordingBuilder) -> None:
    recording, _, _ = sortie(HANDLING)
    rng = np.random.default_rng(5)
    tracks = []
    for track in recording.tracks:
        columns = {}
        for name, column in track.columns.items():
            values = column.values.copy()
            for _ in range(4):
                first = int(rng.integers(0, max(len(values) - 200, 1)))
                values[first : first + 200] = None if column.is_text else np.nan
            columns[name] = dataclasses.replace(column, values=values)
        tracks.append(dataclasses.replace(track, columns=columns))
    detection = detect(dataclasses.replace(recording, tracks=tuple(tracks)), Settings())
    assert [e for e in detection.events if e.kind == "gear_up"]
