"""Landings against the independent simulation's touchdowns, and the sink's fit against made-up flares."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.evidence import gather_evidence
from trimshot.reports.reductions.landings import Landing, reduce_landings, sink_at_touchdown
from trimshot.reports.reductions.landings_sheet import run
from trimshot.store.programme import Programme

TRUTH = Path(__file__).parents[2] / "data" / "truth"
KNOT, FPM = 1852 / 3600, 0.3048 / 60
SAME_S = 6.0  # clocks of recorders and simulation differ by a second or two


@pytest.fixture(scope="module")
def landings(eleven: Programme) -> tuple[Landing, ...]:
    out: list[Landing] = []
    for aircraft in ("SALLOW-R1", "TUSSOCK-U1"):
        out += reduce_landings(gather_evidence(eleven, aircraft=aircraft)).landings
    return tuple(out)


def _truth_of(landing: Landing, starts: Any) -> dict[str, float]:
    with gzip.open(TRUTH / f"{landing.reference.sortie}.json.gz", "rt", encoding="utf-8") as file:
        events = json.load(file)["events"]
    at = starts[landing.reference.sortie].timestamp() + (landing.reference.stop_s or 0.0)
    near = [e for e in events if e["type"] == "touchdown" and abs(e["start"] - at) < SAME_S]
    assert len(near) == 1, landing.reference
    found: dict[str, float] = near[0]
    return found


def test_every_touchdown_is_told(landings: tuple[Landing, ...]) -> None:
    # source: the independent simulation's event lists hold ten landings of one aircraft and five of the other
    assert len(landings) == 15
    assert sum(one.kind == "touch_and_go" for one in landings) == 4


def test_touchdown_speed_and_sink_hold_the_truth(eleven: Programme, landings: tuple[Landing, ...]) -> None:
    starts = eleven.sorties().set_index("sortie")["start_utc"]
    truths = [_truth_of(one, starts) for one in landings]
    held = [one.airspeed.holds(t["kcas"] * KNOT) for one, t in zip(landings, truths, strict=True)]
    assert sum(held) >= 14
    held = [one.sink.holds(t["sink_fpm"] * FPM) for one, t in zip(landings, truths, strict=True)]
    assert sum(held) >= 14
    errors = np.array([one.sink.value / FPM - t["sink_fpm"] for one, t in zip(landings, truths, strict=True)])
    assert np.sqrt(np.mean(errors**2)) < 90.0
    assert abs(np.mean(errors)) < 40.0


def test_speeds_stand_in_order(landings: tuple[Landing, ...]) -> None:
    for one in landings:
        assert one.threshold_speed > one.airspeed.value
        gap = one.airspeed.value - one.ground_speed.value
        assert gap == pytest.approx(one.headwind.value, abs=4.0)
        assert one.peak_load_factor >= 1.0


def _flare(sink: float, *, step: float, offset: float, noise: float, seed: int = 3) -> pd.DataFrame:
    """A made-up flare: 3 m/s of sink brought to `sink` by half a second's worth of pull, then held; touchdown at 10 s."""
    random = np.random.default_rng(seed)
    time = np.arange(0.0, 11.0, 0.2)
    pull = np.where((time > 7.0) & (time < 9.0), (3.0 - sink) / 2.0, 0.0)
    velocity = -3.0 + np.cumsum(pull) * 0.2
    height = 30.0 + np.cumsum(velocity) * 0.2
    seen = np.round((height + noise * random.standard_normal(len(time))) / step) * step
    return pd.DataFrame(
        {"t": time, "gnss_altitude": seen, "pressure_altitude": seen + 40.0, "normal_load_factor": 1 + pull / 9.80665 + offset}
    )  # fmt: skip


@pytest.mark.parametrize("sink", [0.2, 0.8, 2.0])
def test_sink_of_a_made_up_flare(sink: float) -> None:
    told = sink_at_touchdown(_flare(sink, step=0.1, offset=0.004, noise=0.05), 10.0)
    assert told.value == pytest.approx(sink, abs=0.35)
    assert told.holds(sink)


def test_without_load_factor_or_height_the_band_says_so() -> None:
    flare = _flare(0.8, step=0.1, offset=0.0, noise=0.05)
    with_load = sink_at_touchdown(flare, 10.0)
    without = sink_at_touchdown(flare.drop(columns="normal_load_factor"), 10.0)
    assert without.half_width > with_load.half_width
    assert not sink_at_touchdown(flare[["t", "normal_load_factor"]], 10.0).is_known


def test_the_ground_is_not_taken_for_a_pull() -> None:
    quiet = _flare(0.8, step=0.1, offset=0.0, noise=0.0)
    struck = quiet.copy()
    struck.loc[struck["t"] >= 9.9, "normal_load_factor"] = 3.0
    assert sink_at_touchdown(struck, 10.0).value == pytest.approx(sink_at_touchdown(quiet, 10.0).value, abs=1e-9)


def test_the_sheet_says_what_it_rests_on(eleven: Programme) -> None:
    sheet = run(gather_evidence(eleven, aircraft="SALLOW-R1"))
    assert any("landings: 10, flights: 8" in text for text in sheet.statements)
    assert any("as indicated" in text for text in sheet.cautions)
    assert len(sheet.tables[1].rows) == 10
