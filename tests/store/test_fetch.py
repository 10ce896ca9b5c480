"""Samples of stretches, against the frames read by Arrow and cut by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from trimshot.shared.errors import ChannelError, ConditionError, StoreError
from trimshot.store import fetch as fetch_module
from trimshot.store.programme import Programme, create_programme

CHANNELS = ("calibrated_airspeed", "vertical_speed", "flap", "heading_true")


@pytest.fixture
def store(tmp_path: Path, made_up: Any) -> Programme:
    programme = create_programme(tmp_path / "p")
    made_up(tmp_path / "logs" / "A", seed=1, gap=True)
    made_up(tmp_path / "logs" / "B", seed=2)
    made_up(tmp_path / "logs" / "C", seed=3, no_engine=True)
    programme.add([tmp_path / "logs"])
    return programme


def frame_of(store: Programme, sortie: str) -> pd.DataFrame:
    frame: pd.DataFrame = pq.read_table(store.folder / "sorties" / sortie / "frame.parquet").to_pandas()
    return frame


STRETCHES = pd.DataFrame(
    {"sortie": ["B", "A", "C", "A"], "start_s": [10.0, 28.0, 59.0, 25.0], "stop_s": [20.0, 65.0, 70.0, 30.0]}
)


@pytest.mark.parametrize("margin", [0.0, 3.0])
def test_the_rows_are_those_of_the_frames(store: Programme, margin: float) -> None:
    result = store.fetch_stretches(STRETCHES, CHANNELS, margin_s=margin)
    for number, one in enumerate(STRETCHES.itertuples(), 1):
        whole = frame_of(store, str(one.sortie))
        cut = whole[(whole["t"] >= one.start_s - margin) & (whole["t"] < one.stop_s + margin)].reset_index(drop=True)
        got = result.frame[result.frame["stretch"] == number].reset_index(drop=True)
        assert len(got) == len(cut) > 0
        assert (got["sortie"] == one.sortie).all()
        assert got["t"].tolist() == cut["t"].tolist()
        assert got["gap"].tolist() == cut["gap"].tolist()
        assert got["inside"].tolist() == ((cut["t"] >= one.start_s) & (cut["t"] < one.stop_s)).tolist()
        for channel in ("calibrated_airspeed", "vertical_speed", "heading_true"):
            np.testing.assert_array_equal(got[channel].to_numpy(), cut[channel].to_numpy())
        assert got["flap"].tolist() == cut["flap"].tolist()
    assert result.frame["stretch"].is_monotonic_increasing
    assert result.frame.attrs["units"]["calibrated_airspeed"] == "m/s"


def test_times_are_those_of_the_samples(store: Programme) -> None:
    got = store.fetch_stretches(STRETCHES.head(1), ["flap"]).frame
    samples = store.samples("B", ["flap"], start=10.0, stop=20.0)
    assert got["time_utc"].tolist() == samples["time_utc"].tolist()


def test_what_a_condition_finds_is_fetched(store: Programme) -> None:
    condition = "flap = 'full'"
    result = store.fetch(condition, ["flap"], margin_s=1.0, at_least_s=2.0, join_s=0.5)
    found = store.find(condition, 2.0, join_s=0.5)
    assert result.considered == found.considered
    assert len(found.frame) == len(result.stretches) > 1
    for name in ("sortie", "start_utc", "stop_utc", "start_s", "stop_s", "duration_s"):
        assert result.stretches[name].tolist() == found.frame[name].tolist(), name
    assert set(result.frame.loc[~result.frame["inside"], "flap"]) != {"full"}


def test_without_channels_those_found_with_are_fetched(store: Programme) -> None:
    frame = store.fetch("heading_true > deg(1)").frame
    assert list(frame.columns[6:]) == ["calibrated_airspeed", "pressure_altitude", "engine_speed", "heading_true"]


def test_a_channel_some_sorties_lack_is_empty_there_and_told(store: Programme) -> None:
    result = store.fetch_stretches(STRETCHES, ["engine_speed"])
    assert result.missing == {"engine_speed": ("C",)}
    frame = result.frame
    assert frame.loc[frame["sortie"] == "C", "engine_speed"].isna().all()
    assert (frame.loc[frame["sortie"] == "B", "engine_speed"] == 40.0).all()
    alone = store.fetch_stretches(STRETCHES[STRETCHES["sortie"] == "C"], ["engine_speed", "flap"])
    assert alone.frame["engine_speed"].isna().all()
    assert len(alone.frame) == 10


def test_no_stretches_give_no_rows(store: Programme) -> None:
    for result in (store.fetch("calibrated_airspeed > kt(900)"), store.fetch_stretches(STRETCHES.head(0), ["flap"])):
        assert len(result.frame) == len(result.stretches) == 0
        assert list(result.frame.columns[:6]) == ["stretch", "sortie", "time_utc", "t", "gap", "inside"]
    assert len(store.summarise(STRETCHES.head(0), ["flap"]).frame) == 0


def test_a_summary_is_what_numpy_says(store: Programme) -> None:
    summary = store.summarise(STRETCHES, CHANNELS).frame
    for one in summary.itertuples():
        whole = frame_of(store, str(one.sortie))
        cut = whole[(whole["t"] >= one.start_s) & (whole["t"] < one.stop_s)]
        values = cut["vertical_speed"].to_numpy()
        good = values[np.isfinite(values)]
        assert one.rows == len(cut)
        assert one.vertical_speed__mean == pytest.approx(good.mean(), rel=1e-12)
        assert one.vertical_speed__deviation == pytest.approx(good.std(ddof=1), rel=1e-9)
        assert (one.vertical_speed__low, one.vertical_speed__high) == (good.min(), good.max())
        assert (one.vertical_speed__first, one.vertical_speed__last) == (good[0], good[-1])
        # the mean of directions is that of unit vectors (Mardia and Jupp, Directional Statistics, 2.2.1)
        angles = cut["heading_true"].to_numpy()
        mean = np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())
        assert abs((one.heading_true__mean - mean + np.pi) % (2 * np.pi) - np.pi) < 1e-9
        assert one.flap__first == cut["flap"].iloc[0]


def test_what_cannot_be_fetched_is_told(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ChannelError, match="calibrated_airspeed"):
        store.fetch_stretches(STRETCHES, ["calibrated_airspede"])
    with pytest.raises(ChannelError, match="no channel is named"):
        store.fetch_stretches(STRETCHES, [])
    with pytest.raises(ConditionError, match="margin"):
        store.fetch_stretches(STRETCHES, ["flap"], margin_s=-1.0)
    with pytest.raises(StoreError, match="not in the programme"):
        store.fetch_stretches(pd.DataFrame({"sortie": ["X"], "start_s": [0.0], "stop_s": [1.0]}), ["flap"])
    with monkeypatch.context() as patch, pytest.raises(ConditionError, match="too much"):
        patch.setattr(fetch_module, "MOST_VALUES", 1000)
        store.fetch_stretches(STRETCHES, CHANNELS)
    (store.folder / "sorties" / "A" / "frame.parquet").unlink()
    with pytest.raises(StoreError, match="rebuild"):
        store.fetch_stretches(STRETCHES.head(2), ["flap"])
