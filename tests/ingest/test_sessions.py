"""Files of one recorder become one track; every row keeps its file and line."""

from __future__ import annotations

import numpy as np

from trimshot.ingest.sessions import Session, join_sessions
from trimshot.shared.recording import Clock, Column, Source


def session(
    file: str, start: float, count: int = 10, *, kind: str = "display", layout: str = "A", **columns: np.ndarray
) -> Session:
    time_s = start + np.arange(float(count))
    held = {n: Column(n, v, "1", n, step=1.0) for n, v in columns.items()} or {
        "pitch": Column("pitch", time_s * 2, "rad", "pitch", step=0.1)
    }
    source = Source(file, "00", 1, "test", 1, layout, Clock("utc", offset_s=start))
    return Session(kind, time_s, held, np.arange(1, count + 1, dtype=np.int64), source)


def test_power_cycle_is_one_track() -> None:
    (track,) = join_sessions([session("b.csv", 30.0), session("a.csv", 0.0)])
    assert [s.file for s in track.sources] == ["a.csv", "b.csv"]
    assert [s.clock.offset_s for s in track.sources] == [0.0, 30.0]
    assert list(track.source_index) == [0] * 10 + [1] * 10
    assert list(track.row) == [*range(1, 11), *range(1, 11)]
    np.testing.assert_array_equal(track.columns["pitch"].values, track.time_s * 2)
    assert track.columns["pitch"].step == 0.1


def test_two_of_a_kind_running_together_stay_two() -> None:
    tracks = join_sessions([session("left.csv", 0.0), session("right.csv", 1.0)])
    assert [t.name for t in tracks] == ["display", "display_2"]


def test_another_flight_is_another_track() -> None:
    tracks = join_sessions([session("yesterday.csv", 0.0), session("today.csv", 86400.0)])
    assert [t.name for t in tracks] == ["display", "display_2"]


def test_other_layout_or_kind_stays_apart() -> None:
    tracks = join_sessions(
        [session("a.csv", 0.0), session("b.csv", 20.0, layout="B"), session("c.csv", 40.0, kind="engine")]
    )
    assert [t.name for t in tracks] == ["display", "display_2", "engine"]


def test_no_layout_known_is_no_proof() -> None:
    tracks = join_sessions([session("a.csv", 0.0, layout=""), session("b.csv", 20.0, layout="")])
    assert len(tracks) == 2


def test_channel_missing_in_one_session() -> None:
    words = np.array(["up"] * 10, dtype=object)
    (track,) = join_sessions(
        [session("a.csv", 0.0, x=np.ones(10)), session("b.csv", 20.0, y=np.ones(10) * 3, gear_reported=words)]
    )
    np.testing.assert_array_equal(track.columns["x"].values, [1.0] * 10 + [np.nan] * 10)
    np.testing.assert_array_equal(track.columns["y"].values, [np.nan] * 10 + [3.0] * 10)
    assert list(track.columns["gear_reported"].values) == [None] * 10 + ["up"] * 10


def test_words_in_one_session_and_numbers_in_the_other() -> None:
    (track,) = join_sessions(
        [
            session("a.csv", 0.0, 2, x=np.array(["UP", None], dtype=object)),
            session("b.csv", 20.0, 2, x=np.array([np.nan, 3.0])),
        ]
    )
    assert list(track.columns["x"].values) == ["UP", None, None, "3"]


def test_rows_are_put_in_time_order_with_their_lines() -> None:
    late = session("a.csv", 0.0, 3)
    shuffled = Session("display", np.array([0.0, 2.0, 1.0]), late.columns, late.row, late.source)
    (track,) = join_sessions([shuffled])
    assert list(track.time_s) == [0.0, 1.0, 2.0]
    assert list(track.row) == [1, 3, 2]
