"""`find` against the same question answered row by row in plain Python."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trimshot.shared.errors import ConditionError, StoreError, UnknownSortieError
from trimshot.shared.findings import Detection, Run, Segment
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.settings import Settings, parse_settings
from trimshot.store import islands as islands_module
from trimshot.store import routes as routes_module
from trimshot.store.find import FindResult, find
from trimshot.store.frame import build_frame, state_runs, write_frame
from trimshot.store.places import frame_file
from trimshot.store.programme import Programme, create_programme
from trimshot.store.rows import catalog_rows
from trimshot.store.schema import TABLES

START = dt.datetime(2025, 5, 6, 9, 0, tzinfo=dt.UTC)
KNOT = 1852 / 3600  # exact: international nautical mile (1929) and hour

Row = dict[str, Any]


def recording_of(name: str, time_s: list[float], columns: dict[str, list[Any]], day: int = 0) -> Recording:
    n = len(time_s)
    source = Source("log.csv", "0" * 64, 1, "made up", 1, "layout", Clock("utc"))
    made = {
        key: Column(key, np.array(values, dtype=object if isinstance(values[0], str) else np.float64), None, key)
        for key, values in columns.items()
    }
    track = Track("display", np.array(time_s), made, (source,), np.arange(n), np.zeros(n, dtype=np.int16))
    return Recording(name, START + dt.timedelta(days=day), (track,), "display", sources=(source,))


def detection_of(runs: list[tuple[str, str, float, float]]) -> Detection:
    made = tuple(Run(channel, word, Segment(start, stop)) for channel, word, start, stop in runs)
    return Detection((), (), (), made, (), (), (), "0" * 16)


def put_in(store: Programme, recording: Recording, detection: Detection, chosen: Settings | None = None) -> None:
    """A sortie straight into the store, its reading and detecting left out."""
    chosen = chosen or Settings()
    frame = build_frame(recording, state_runs(detection), chosen)
    path = frame_file(store.folder, recording.sortie_id)
    path.parent.mkdir()
    write_frame(frame, path)
    tables = catalog_rows(recording, detection, chosen, frame=frame, content_hash=recording.sortie_id, addition="x")
    connection = duckdb.connect(str(store.folder / "programme.duckdb"))
    for table in TABLES:
        if table.name in tables:
            connection.register("incoming", tables[table.name])
            connection.execute(f"INSERT INTO {table.name} BY NAME SELECT * FROM incoming")
    connection.close()


def expected(
    rows: list[Row], holds: Callable[[Row], bool | None], at_least_s: float, join_s: float, step_s: float
) -> Iterator[tuple[float, float, int, float]]:
    """(start, stop, rows, mean speed) of each stretch, row by row. A step of more than 1.5 s is a gap
    (shared.frame: never less than 1.5 s)."""
    stretches: list[dict[str, Any]] = []
    gap = 0
    for index, row in enumerate(rows):
        step = rows[index + 1]["t"] - row["t"] if index + 1 < len(rows) else step_s
        is_gap = step > max(1.5, 2.5 * step_s)
        if holds(row) is True:
            until = row["t"] + (step_s if is_gap else step)
            last = stretches[-1] if stretches else None
            joins = last is not None and last["gap"] == gap
            touches = joins and last is not None and last["index"] == index - 1
            near = joins and last is not None and join_s > 0 and row["t"] - last["until"] <= join_s + 1e-9
            if last is not None and (touches or near):
                last["until"], last["index"] = until, index
                last["speeds"].append(row["speed"])
            else:
                stretches.append(
                    {"start": row["t"], "until": until, "index": index, "gap": gap, "speeds": [row["speed"]]}
                )
        gap += is_gap
    for one in stretches:
        if one["until"] - one["start"] >= at_least_s - 1e-6:
            known = [speed for speed in one["speeds"] if not math.isnan(speed)]
            mean = sum(known) / len(known) if known else math.nan
            yield one["start"], one["until"], len(one["speeds"]), mean


def both(left: bool | None, right: bool | None) -> bool | None:
    """SQL's AND: an unknown side leaves the answer unknown unless the other is false."""
    if left is False or right is False:
        return False
    return None if left is None or right is None else True


def above(value: float, limit: float) -> bool | None:
    return None if math.isnan(value) else value > limit


Question = tuple[str, Callable[[Row], bool | None]]

CONDITIONS: list[Question] = [
    ("calibrated_airspeed >= kt(95)", lambda r: None if math.isnan(r["speed"]) else r["speed"] >= 95 * KNOT),
    ("gear = 'down'", lambda r: r["gear"] == "down"),
    ("gear <> 'up' AND calibrated_airspeed > kt(94)", lambda r: both(r["gear"] != "up", above(r["speed"], 94 * KNOT))),
    (
        "NOT (calibrated_airspeed > kt(95)) and flap in ('full', 'half')",
        lambda r: both(None if math.isnan(r["speed"]) else not r["speed"] > 95 * KNOT, r["flap"] in ("full", "half")),
    ),
    ("calibrated_airspeed between kt(94) and kt(96)", lambda r: 94 * KNOT <= r["speed"] <= 96 * KNOT),
    ("calibrated_airspeed IS NULL", lambda r: math.isnan(r["speed"])),
    ("t >= 3 AND true", lambda r: r["t"] >= 3),
    ("FLAP >= deg(20)", lambda r: {"up": False, "half": True, "full": True}.get(r["flap"])),
]

# angles only by name, so the frame's flap_angle comes from the state's word; transit has none
ANGLES = parse_settings(
    "[aircraft]\n"
    + "\n".join(
        f'[[aircraft.flap_settings]]\nname = "{name}"\nangle = "{angle} deg"'
        for name, angle in (("up", 0), ("half", 20), ("full", 40))
    ),
    "test",
)

speeds = st.lists(
    st.one_of(st.sampled_from([93.0, 94.0, 95.0, 95.1, 96.0]), st.just(math.nan)), min_size=1, max_size=60
)


@st.composite
def sorties(draw: st.DrawFn) -> list[Row]:
    values = draw(speeds)
    n = len(values)
    # rows a quarter second apart (exact in binary), here and there ten seconds more
    steps = [0.25 + (10.0 if draw(st.integers(0, 12)) == 0 else 0.0) for _ in range(n - 1)]
    times = [0.0, *itertools.accumulate(steps)]
    words = {"gear": ["up", "down", "transit"], "flap": ["up", "half", "full", "transit", "unknown"]}
    rows: list[Row] = [{"t": time, "speed": value * KNOT} for time, value in zip(times, values, strict=True)]
    for channel, choice in words.items():
        length = draw(st.integers(1, 8))
        for index, row in enumerate(rows):
            if index % length == 0:
                word = draw(st.sampled_from(choice))
            row[channel] = word
    return rows


def made(name: str, rows: list[Row], day: int) -> tuple[Recording, Detection]:
    times = [row["t"] for row in rows]
    runs = []
    for channel in ("gear", "flap"):
        for index, row in enumerate(rows):
            stop = times[index + 1] if index + 1 < len(rows) else row["t"] + 0.25
            runs.append((channel, row[channel], row["t"], stop))
    return recording_of(name, times, {"calibrated_airspeed": [row["speed"] for row in rows]}, day), detection_of(runs)


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    flights=st.lists(sorties(), min_size=1, max_size=3),
    at_least_s=st.sampled_from([0.0, 0.5, 1.0, 3.0]),
    join_s=st.sampled_from([0.0, 0.25, 0.6, 20.0]),
    asked=st.lists(st.sampled_from(CONDITIONS), min_size=2, max_size=3, unique_by=lambda one: one[0]),
)
def test_find_agrees_with_the_row_by_row_answer(
    tmp_path_factory: pytest.TempPathFactory,
    flights: list[list[Row]],
    at_least_s: float,
    join_s: float,
    asked: list[Question],
) -> None:
    store = create_programme(tmp_path_factory.mktemp("find") / "p")
    for number, rows in enumerate(flights):
        put_in(store, *made(f"S{number}", rows, number), ANGLES)
    for condition, holds in asked:
        answer = store.find(condition, at_least_s, join_s=join_s)
        for number, rows in enumerate(flights):
            name = f"S{number}"
            got = answer.frame[answer.frame["sortie"] == name]
            if name in answer.left_out:
                assert len(got) == 0
                continue
            steps = [b["t"] - a["t"] for a, b in itertools.pairwise(rows)]
            step_s = float(np.median(steps)) if steps else 0.0
            wanted = list(expected(rows, holds, at_least_s, join_s, step_s))
            assert got[["start_s", "stop_s", "rows"]].to_numpy().tolist() == [list(one[:3]) for one in wanted], (
                condition
            )
            np.testing.assert_allclose(got["calibrated_airspeed"], [one[3] for one in wanted], rtol=1e-12)
        assert len(answer.considered) + len(answer.left_out) == len(flights)


def simple(tmp_path: Path) -> Programme:
    """S1: 10 s at 4 rows a second, gear down from 5 s; S0, a day later, without airspeed."""
    store = create_programme(tmp_path / "p")
    times = [0.25 * k for k in range(40)]
    values = {"calibrated_airspeed": [95 * KNOT] * 40, "heading_true": [0.1, 2 * math.pi - 0.1] * 20}
    gear = [("gear", "up", 0.0, 5.0), ("gear", "down", 5.0, 10.0)]
    put_in(store, recording_of("S1", times, values), detection_of(gear))
    put_in(store, recording_of("S0", times, {"vertical_speed": [-2.0] * 40}, day=1), detection_of([]))
    return store


def test_a_stretch_and_its_columns(tmp_path: Path) -> None:
    answer = simple(tmp_path).find("gear = 'down' AND calibrated_airspeed >= kt(95) AND heading_true < rad(9)")
    assert isinstance(answer, FindResult)
    row = answer.frame.iloc[0]
    assert (row["sortie"], row["start_s"], row["stop_s"], row["duration_s"], row["rows"]) == ("S1", 5.0, 10.0, 5.0, 20)
    assert row["start_utc"].isoformat() == "2025-05-06T09:00:05+00:00"
    assert row["stop_utc"].isoformat() == "2025-05-06T09:00:10+00:00"
    # the mean of headings either side of north is north, not south
    assert abs(math.remainder(row["heading_true"], 2 * math.pi)) < 1e-9
    assert row["gear"] == "down" and row["calibrated_airspeed"] == pytest.approx(95 * KNOT, rel=1e-12)
    assert answer.frame.attrs["units"]["calibrated_airspeed"] == "m/s"
    assert math.isnan(row["engine_speed"])


def test_who_was_left_out_and_why(tmp_path: Path) -> None:
    store = simple(tmp_path)
    answer = store.find("gear = 'down' and calibrated_airspeed > kt(90)")
    assert answer.considered == ("S1",)
    assert dict(answer.left_out) == {"S0": "gear is unknown throughout; calibrated_airspeed is not recorded"}
    flap = store.find("flap >= deg(20)")
    assert flap.considered == () and len(flap.frame) == 0
    assert all("flap angles are not named in settings.toml" in reason for reason in flap.left_out.values())
    # the one who asks for the unknown is answered
    assert store.find("gear = 'unknown'").considered == ("S1", "S0")


def test_one_sortie_alone(tmp_path: Path) -> None:
    store = simple(tmp_path)
    assert store.find("t >= 0", sortie="S0").frame["sortie"].tolist() == ["S0"]
    with pytest.raises(UnknownSortieError, match="S0, S1"):
        store.find("t >= 0", sortie="S9")


def test_a_misspelled_word_does_not_end_in_silence(tmp_path: Path) -> None:
    answer = simple(tmp_path).find("gear = 'dwon'")
    assert answer.notes == ("no sortie has gear 'dwon'; found: down, up",)


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
def test_lengths_are_lengths(tmp_path: Path, value: float) -> None:
    store = simple(tmp_path)
    with pytest.raises(ConditionError):
        store.find("t >= 0", value)
    with pytest.raises(ConditionError):
        store.find("t >= 0", join_s=value)


def test_a_run_out_of_order_is_found_out_and_computed_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = simple(tmp_path)
    wanted = store.find("gear = 'down' AND t >= 0").frame
    orders = []
    real = islands_module._run

    def disordered(connection: Any, scan: Any, order: str) -> Any:
        orders.append(order)
        return real(connection, scan, "(ORDER BY hash(i))" if order == islands_module._STREAMED else order)

    monkeypatch.setattr(islands_module, "_run", disordered)
    got = store.find("gear = 'down' AND t >= 0").frame
    assert got.equals(wanted) and orders == ["()", "(PARTITION BY sortie ORDER BY i)"]


def test_a_missing_frame_says_rebuild(tmp_path: Path) -> None:
    store = simple(tmp_path)
    frame_file(store.folder, "S1").unlink()
    with pytest.raises(StoreError, match="rebuild"):
        store.find("gear = 'down' AND t >= 0")


def test_a_damaged_frame_says_rebuild(tmp_path: Path) -> None:
    store = simple(tmp_path)
    frame_file(store.folder, "S1").write_bytes(b"PAR1 and nothing more")
    with pytest.raises(StoreError, match="rebuild"):
        store.find("gear = 'down' AND t >= 0")


def test_a_question_that_takes_too_long_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = simple(tmp_path)
    monkeypatch.setattr(routes_module, "TIME_LIMIT_S", 0.3)

    def endless(connection: duckdb.DuckDBPyConnection, *rest: object) -> None:
        del rest
        connection.execute("SELECT count(*) FROM range(100000000) AS a, range(100000) AS b").fetchall()

    monkeypatch.setattr(routes_module, "gather_islands", endless)
    with pytest.raises(ConditionError, match="took more than"):
        find(store.folder, "t >= 0")


def test_flap_angles_from_position(tmp_path: Path) -> None:
    store = create_programme(tmp_path / "p")
    angles = parse_settings(
        '[[aircraft.flap_settings]]\nname = "up"\nangle = "0 deg"\nposition = 0.0\n'
        '[[aircraft.flap_settings]]\nname = "full"\nangle = "40 deg"\nposition = 1.0\n',
        "test",
    )
    times = [0.25 * k for k in range(5)]
    put_in(store, recording_of("S", times, {"flap_position": [0.0, 0.25, 0.5, 0.75, 1.0]}), detection_of([]), angles)
    # 0.5 of the way between 0 and 40 degrees is 20 degrees: the third row on
    assert store.find("flap > deg(19.9)").frame["start_s"].tolist() == [0.5]
    facts = store.channels("S").set_index("channel").loc["flap_angle"]
    assert (facts["unit"], facts["derived_from"]) == ("rad", ["flap_position"])


def test_the_recorded_value_itself_is_inside(tmp_path: Path) -> None:
    """A sample written as 95.3 kt is not less than kt(95.3), whatever the number of knots."""
    store = create_programme(tmp_path / "p")
    knots = [round(40 + 0.1 * k, 1) for k in range(2000)]
    from trimshot.shared.units import to_si

    values = [float(to_si(value, "kt")) for value in knots]
    put_in(store, recording_of("S", [0.1 * k for k in range(2000)], {"indicated_airspeed": values}), detection_of([]))
    for value in knots[::397]:
        assert store.find(f"indicated_airspeed = kt({value})").frame["rows"].tolist() == [1]


def test_the_frame_keeps_every_digit(tmp_path: Path) -> None:
    store = create_programme(tmp_path / "p")
    values = list(np.random.default_rng(3).normal(50, 10, 500))
    values[7] = math.nan
    recording = recording_of("S", [0.1 * k for k in range(500)], {"true_airspeed": values})
    put_in(store, recording, detection_of([]))
    kept = store.samples("S", ["true_airspeed"])["true_airspeed"].to_numpy()
    np.testing.assert_array_equal(kept, values)
    schema = pa.parquet.read_schema(frame_file(store.folder, "S")) if hasattr(pa, "parquet") else None
    if schema is not None:
        assert schema.field("true_airspeed").metadata[b"unit"] == b"m/s"


@pytest.mark.parametrize(
    "statement",
    [
        "SELECT * FROM read_text('{other}')",
        "SELECT * FROM read_csv('{other}')",
        "COPY (SELECT 1) TO '{other}'",
        "ATTACH '{other}'",
        "INSTALL spatial",
        "SET enable_external_access = true",
        "SET allowed_paths = ['{other}']",
    ],
)
def test_even_a_statement_that_slipped_through_would_reach_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, statement: str
) -> None:
    """The second wall behind the judging of the condition: the connection sees the frames alone."""
    store = simple(tmp_path)
    other = tmp_path / "other.csv"
    other.write_text("a,b\n1,2\n")

    def slip(connection: duckdb.DuckDBPyConnection, scan: Any) -> None:
        connection.execute("SELECT count(*) FROM read_parquet(?)", list(scan.values)).fetchall()
        connection.execute(statement.format(other=other)).fetchall()

    monkeypatch.setattr(routes_module, "gather_islands", slip)
    with pytest.raises(StoreError, match=r"disabled|locked"):
        find(store.folder, "t >= 0")
    assert other.read_text() == "a,b\n1,2\n"
