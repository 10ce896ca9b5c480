"""Every way to an answer gives the same answer, and what narrows a question keeps what plain Python keeps."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest

from trimshot.shared.errors import ChannelError, ConditionError
from trimshot.store.find import FindResult, find
from trimshot.store.narrowing import Narrowing
from trimshot.store.programme import Programme, create_programme


@pytest.fixture
def store(tmp_path: Path, made_up: Any) -> Programme:
    """Three sorties, one with a data gap and one without an engine."""
    made = create_programme(tmp_path / "p")
    folders = [
        made_up(tmp_path / "A", seed=1),
        made_up(tmp_path / "B", seed=2, gap=True),
        made_up(tmp_path / "C", seed=3, no_engine=True),
    ]
    assert [one.status for one in made.add(folders).sorties] == ["added"] * 3
    return made


def same(one: FindResult, other: FindResult) -> None:
    assert (one.considered, dict(one.left_out), one.notes) == (other.considered, dict(other.left_out), other.notes)
    # means are sums in another order
    pd.testing.assert_frame_equal(one.frame, other.frame, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("join_s", [0.0, 5.0])
@pytest.mark.parametrize(
    "condition",
    ["flap = 'full'", "flap <> 'up' AND phase = 'descent'", "gear = 'down' OR flap LIKE 'tr%'", "true", "sortie = 'B'"],
)
def test_states_are_answered_from_pieces_as_from_samples(store: Programme, condition: str, join_s: float) -> None:
    quick = find(store.folder, condition, 1.0, join_s=join_s)
    slow = find(store.folder, condition, 1.0, join_s=join_s, routes=("frames",))
    assert quick.routes.get("pieces") == len(quick.considered) > 0 and "pieces" not in slow.routes
    assert len(quick.frame) > 0
    same(quick, slow)


def test_chosen_channels_are_the_same_by_both_ways_and_by_hand(store: Programme) -> None:
    chosen = ("vertical_speed", "gear", "heading_true")
    quick = find(store.folder, "flap = 'full'", channels=chosen)
    same(quick, find(store.folder, "flap = 'full'", channels=chosen, routes=("frames",)))
    first = quick.frame.iloc[0]
    rows = store.samples(first["sortie"], ["vertical_speed"], start=first["start_s"], stop=first["stop_s"])
    values = rows["vertical_speed"].dropna()
    got = [first[f"vertical_speed{part}"] for part in ("", "__low", "__high", "__first", "__last")]
    wanted = [values.mean(), values.min(), values.max(), values.iloc[0], values.iloc[-1]]
    np.testing.assert_allclose(got, wanted, rtol=1e-12)
    assert quick.frame.attrs["units"]["vertical_speed__low"] == "m/s"
    assert "heading_true__low" not in quick.frame and "heading_true__first" in quick.frame


def test_a_sortie_without_pieces_is_measured_beside_those_with_them(store: Programme) -> None:
    with duckdb.connect(str(store.folder / "programme.duckdb")) as catalog:  # as an older program left it
        catalog.execute("DELETE FROM piece WHERE sortie = 'B'")
    chosen = ("vertical_speed", "gear", "heading_true")
    mixed = find(store.folder, "flap = 'full'", channels=chosen)
    assert mixed.routes == {"pieces": 2, "frames": 1}
    same(mixed, find(store.folder, "flap = 'full'", channels=chosen, routes=("frames",)))


def test_a_sortie_that_cannot_match_is_considered_and_not_read(store: Programme) -> None:
    low = store.channels().query("track == 'frame' and channel == 'pressure_altitude'")["low"].min()
    ruled = store.find(f"pressure_altitude < {low - 1}")
    assert (len(ruled.frame), dict(ruled.routes), len(ruled.considered)) == (0, {"ruled out": 3}, 3)
    # the smallest value itself is still found
    assert store.find(f"pressure_altitude <= {float(low)!r}").frame["rows"].sum() >= 1


def test_within_keeps_the_rows_inside(store: Programme) -> None:
    found = store.find("t >= 0", narrowed=Narrowing(within=("points",))).frame
    # the made-up detector's two points of every sortie: 5 to 25 s and 30 to 50 s, ten rows a second
    spans = found.query("sortie == 'A'")[["start_s", "stop_s"]].to_numpy()
    np.testing.assert_allclose(spans, [[5.0, 25.0], [30.0, 50.0]], atol=1e-9)
    both = store.find("t >= 0", narrowed=Narrowing(within=("points:glide", "phase:climb"))).frame
    np.testing.assert_allclose(both.query("sortie == 'A'")[["start_s", "stop_s"]], [[5.0, 10.0]], atol=1e-9)


def test_near_events(store: Programme) -> None:
    # the made-up detector tells of a flap change at 9.0 s and an rpm command at 3.0 s
    after = store.find("t >= 9.5 AND t < 12", narrowed=Narrowing(after=(("flap", 1.0),))).frame
    np.testing.assert_allclose(after["after_flap_s"], 0.5, atol=1e-9)
    assert len(after) == 3
    assert len(store.find("t >= 9.5", narrowed=Narrowing(after=(("flap", 0.4),))).frame) == 0
    before = store.find("t >= 2.5", narrowed=Narrowing(before=(("rpm_command", 0.5),))).frame
    np.testing.assert_allclose(before["before_rpm_command_s"], 0.5, atol=1e-9)
    assert len(store.find("t >= 3.1", narrowed=Narrowing(before=(("rpm_command", 99.0),))).frame) == 0


def test_what_is_nowhere_found_is_told(store: Programme) -> None:
    answer = store.find("t >= 0", narrowed=Narrowing(within=("phase:aproach",)))
    assert answer.notes == ("no sortie has phase 'aproach'; found: climb, descent",) and len(answer.considered) == 3
    answer = store.find("t >= 0", narrowed=Narrowing(after=(("gear_dwon", 3.0),)))
    assert answer.notes == ("no sortie has events 'gear_dwon'; found: flap_change, rpm_command",)


@pytest.mark.parametrize(
    "narrowed",
    [
        Narrowing(within=("nowhere",)),
        Narrowing(within=("points:'; DROP TABLE point; --",)),
        Narrowing(after=(("x' OR 1=1", 3.0),)),
        Narrowing(before=(("flap", -1.0),)),
        Narrowing(before=(("flap", float("nan")),)),
    ],
)
def test_a_narrowing_that_is_none_is_refused(store: Programme, narrowed: Narrowing) -> None:
    with pytest.raises(ConditionError):
        store.find("t >= 0", narrowed=narrowed)


@pytest.mark.parametrize("name", ["no_such_channel", 'pitch" FROM frame; --', "../etc", "höhe"])
def test_a_channel_that_is_none_is_refused(store: Programme, name: str) -> None:
    with pytest.raises(ChannelError):
        store.find("t >= 0", channels=[name])


def test_several_sorties(store: Programme) -> None:
    assert store.find("t >= 0", sortie=["C", "A"]).considered == ("A", "C")
