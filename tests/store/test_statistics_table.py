"""Statistics side by side are the long table's, turned by pandas."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from trimshot.store.programme import Programme, create_programme
from trimshot.store.statistics_table import spread_statistics

ENDINGS = {"mean": "", "standard_error": "_error"}
RARE = "sink_rate"


@pytest.fixture
def store(tmp_path: Path, made_up: Any) -> Programme:
    made = create_programme(tmp_path / "p")
    made.add([made_up(tmp_path / "A", seed=1), made_up(tmp_path / "C", seed=3)])
    with duckdb.connect(str(made.folder / "programme.duckdb")) as catalog:  # as if it were not recorded in one of them
        catalog.execute(
            "UPDATE statistic SET mean = mean + number + 10 * ascii(sortie), standard_error = number"
        )  # no two alike
        catalog.execute(f"DELETE FROM statistic WHERE sortie = 'C' AND channel = '{RARE}'")
    return made


def turned(store: Programme, points: pd.DataFrame, value: str) -> pd.DataFrame:
    """The same by pandas."""
    wide = store.statistics().pivot(index=["sortie", "number"], columns="channel", values=value)
    return wide.reindex(pd.MultiIndex.from_frame(points[["sortie", "number"]]))


def test_every_channel_of_points_in_any_order(store: Programme) -> None:
    points = store.points(refused=True).iloc[::-1]
    assert len(points) > 3 and points["sortie"].nunique() == 2
    wide = spread_statistics(store.folder, points, ENDINGS)
    means, errors = turned(store, points, "mean"), turned(store, points, "standard_error")
    assert list(wide.columns) == [*means.columns, *(f"{name}_error" for name in errors.columns)]
    assert wide[RARE].isna().any() and wide[RARE].notna().any()
    expected = pd.concat([means, errors.add_suffix("_error")], axis=1)
    pd.testing.assert_frame_equal(
        wide.reset_index(drop=True), expected.reset_index(drop=True), check_exact=True, check_names=False
    )
    assert list(wide.index) == list(points.index)


def test_channels_that_are_named_come_in_their_order_and_are_all_there(store: Programme) -> None:
    points = store.points()
    names = (RARE, "no_such_channel", "calibrated_airspeed")
    wide = spread_statistics(store.folder, points, {"mean": ""}, names)
    assert tuple(wide.columns) == names and wide["no_such_channel"].isna().all()
    expected = turned(store, points, "mean")[RARE]
    pd.testing.assert_series_equal(wide[RARE], expected.reset_index(drop=True), check_exact=True, check_names=False)


def test_no_points_have_no_channels(store: Programme) -> None:
    none = store.points().head(0)
    assert spread_statistics(store.folder, none, ENDINGS).shape == (0, 0)
    assert spread_statistics(store.folder, none, ENDINGS, ("pitch",)).shape == (0, 2)
