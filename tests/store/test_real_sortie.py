"""A sortie's real logs through the real reading and detecting, into the store and out again."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from trimshot.ingest.sortie import read_sortie
from trimshot.shared.frame import frame_columns
from trimshot.shared.settings import Settings
from trimshot.store.places import sortie_folder
from trimshot.store.programme import Programme, create_programme

ARCHIVE = Path(__file__).parents[1] / "data" / "sorties" / "T250605-01-handling.zip"
NAME = ARCHIVE.stem


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    made = create_programme(tmp_path_factory.mktemp("real") / "p")
    (one,) = made.add([ARCHIVE]).sorties
    assert (one.sortie, one.status, one.error) == (NAME, "added", None)
    return made


def test_every_file_is_kept_and_accounted_for(store: Programme) -> None:
    with zipfile.ZipFile(ARCHIVE) as archive:
        sizes = sorted(info.file_size for info in archive.infolist() if not info.is_dir())
    kept = [path for path in (sortie_folder(store.folder, NAME) / "source").rglob("*") if path.is_file()]
    assert sorted(path.stat().st_size for path in kept) == sizes
    ledger = store.ledger(NAME)
    with_rows = ledger[ledger["rows_in"].notna() & (ledger["rows_in"] > 0)]
    assert len(with_rows) >= 2
    assert (with_rows["rows_in"] >= with_rows["rows_out"]).all()


def test_the_frame_is_the_recording_sample_for_sample(store: Programme) -> None:
    recording = read_sortie(sortie_folder(store.folder, NAME) / "source", Settings())
    frame = store.samples(NAME)
    columns = frame_columns(recording)
    assert len(columns) > 10
    for name, values in columns.items():
        if values.dtype == object:
            assert [word if isinstance(word, str) else None for word in frame[name]] == list(values)
        else:
            np.testing.assert_array_equal(frame[name].to_numpy(dtype=np.float64), values, err_msg=name)
    for track in recording.tracks:
        kept = store.track(NAME, track.name)
        for name, column in track.columns.items():
            if not column.is_text:
                np.testing.assert_array_equal(kept[name].to_numpy(dtype=np.float64), column.values, err_msg=name)


def test_a_condition_gives_the_rows_a_mask_gives(store: Programme) -> None:
    frame = store.samples(NAME)
    # -500 ft/min: 1 ft = 0.3048 m exactly
    mask = (frame["pressure_altitude_rate"] < -500 * 0.3048 / 60) & (frame["phase"] != "ground")
    answer = store.find("pressure_altitude_rate < fpm(-500) AND phase <> 'ground'")
    assert 0 < answer.frame["rows"].sum() == mask.sum() < len(frame)
    edges = np.flatnonzero(mask & ~(mask.shift(fill_value=False) & (frame["gap"] == frame["gap"].shift())))
    assert answer.frame["start_s"].tolist() == frame["t"].to_numpy()[edges].tolist()


def test_points_lie_inside_the_sortie_and_carry_their_statistics(store: Programme) -> None:
    points = store.points(NAME)
    row = store.sorties().iloc[0]
    assert len(points) == row["points"] > 0
    assert (points["start_utc"] >= row["start_utc"]).all() and (points["stop_utc"] <= row["stop_utc"]).all()
    statistics = store.statistics(NAME)
    speed = statistics[statistics["channel"] == "calibrated_airspeed"].set_index("number")["mean"]
    assert points["calibrated_airspeed"].tolist() == speed.loc[points["number"]].tolist()


def test_rebuilding_changes_nothing(store: Programme) -> None:
    points, events, samples = store.points(refused=True), store.events(), store.samples(NAME)
    assert [one.status for one in store.rebuild().sorties] == ["replaced"]
    assert store.points(refused=True).equals(points)
    assert store.events().drop(columns="facts").equals(events.drop(columns="facts"))
    assert store.samples(NAME).equals(samples)
