"""What changed between flights: planted changes are ranked first, and chance is not told as change."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.changes import reduce_changes
from trimshot.reports.reductions.changes_sheet import run, sheet_of
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.sheet_changes import changes_between
from trimshot.shared.errors import SettingsError
from trimshot.store.programme import Programme

KT = 1852 / 3600


def made_up(base: Evidence, seed: int, drag: float = 1.0, oil: float = 0.0, flights: int = 3) -> Evidence:
    """Flights with twelve glides and twelve climbs each from one polar; the last flight with planted changes."""
    random = np.random.default_rng(seed)
    rows = []
    for flight in range(flights + 1):
        last = flight == flights
        for number in range(24):
            glide = number < 12
            speed = (80 + 4 * (number % 12)) * KT + random.normal(0, 0.3)
            weight, density = 10500.0, 1.1
            dynamic = 1.225 / 2 * speed**2
            area = (0.6 + 0.004 * (weight / dynamic) ** 2 / 10) * (drag if last else 1.0)
            true = speed * np.sqrt(1.225 / density)
            sink = area * dynamic * true / weight if glide else -6.0
            rows.append({
                "sortie": f"F{flight}", "number": number + 1, "start_s": 100.0 * number, "stop_s": 100.0 * number + 40,
                "start_utc": pd.Timestamp("2025-05-01", tz="UTC") + pd.Timedelta(days=flight, seconds=100 * number),
                "kind": "glide" if glide else "climb", "gear": "up", "flap": "up", "power": "idle", "propulsion": "idle",
                "calibrated_airspeed": speed, "true_airspeed": true, "dynamic_pressure": dynamic, "weight": weight,
                "pressure_altitude": 2000.0 + random.normal(0, 100),
                "sink_rate": sink * (1 + random.normal(0, 0.01)), "sink_rate_error": 0.01 * abs(sink),
                "oil_pressure": 4.0e5 + random.normal(0, 3e3) + (oil if last else 0.0), "oil_pressure_error": 3e3,
                "pitch": -0.05 + random.normal(0, 0.002), "pitch_error": 0.002,
            })  # fmt: skip
    return dataclasses.replace(base, points=pd.DataFrame(rows), sorties=tuple(f"F{i}" for i in range(flights + 1)))


@pytest.fixture(scope="module")
def base(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


def test_a_planted_change_of_drag_is_ranked_first(base: Evidence) -> None:
    result = reduce_changes(made_up(base, 1, drag=1.04))
    first = result.differences[0]
    assert first.seen
    assert {one.channel for one in result.differences if one.seen} == {"drag_area", "sink_rate"}
    area = next(one for one in result.differences if one.channel == "drag_area")
    assert area.difference.value / area.before == pytest.approx(0.04, abs=0.01)
    assert area.difference.holds(0.04 * area.before)


def test_a_planted_change_of_a_sensor_is_ranked_first(base: Evidence) -> None:
    result = reduce_changes(made_up(base, 2, oil=-4e4))
    assert result.differences[0].channel == "oil_pressure"
    assert [one.channel for one in result.differences if one.seen] == ["oil_pressure"]


def test_chance_is_seldom_told_as_change(base: Evidence) -> None:
    told = [any(one.seen for one in reduce_changes(made_up(base, seed)).differences) for seed in range(10, 50)]
    # a false discovery rate of 5 %: of 40 comparisons of nothing 2 on the average, 6 or more once in a hundred (binomial)
    assert sum(told) <= 6


def test_sides_are_those_named_and_never_the_same(base: Evidence) -> None:
    evidence = dataclasses.replace(made_up(base, 3), options={"before": "F0", "after": "F1, F2"})
    assert reduce_changes(evidence).after == ("F1", "F2")
    with pytest.raises(SettingsError, match="both sides"):
        reduce_changes(dataclasses.replace(evidence, options={"before": "F1", "after": "F1"}))
    with pytest.raises(SettingsError, match="no such flight"):
        reduce_changes(dataclasses.replace(evidence, options={"before": "F7"}))


def test_what_was_recorded_differently_is_told(base: Evidence) -> None:
    names = {"before": "S250506-01-drag_survey", "after": "S250520-01-drag_survey"}
    sheet = run(dataclasses.replace(base, options=names))
    written = {row[0].value: (row[1].value, row[2].value) for row in sheet.tables[-1].rows}
    # the later flight has no discretes (tests/data/sorties: five files against four)
    assert written["channel gear_lever"] == ("recorded", "not recorded")
    assert "test card: take_off_mass_kg" in written
    assert any("three flights" in text for text in sheet.cautions)


def test_one_flight_alone_says_what_is_missing(base: Evidence) -> None:
    one = made_up(base, 4)
    alone = dataclasses.replace(one, points=one.points[one.points["sortie"] == "F0"], sorties=("F0",))
    assert sheet_of(reduce_changes(alone), (), alone.settings).missing


def test_changed_numbers_of_a_sheet_are_found() -> None:
    def context(value: float, low: float, high: float) -> dict[str, object]:
        cells = [{"value": "clean"}, {"value": value, "low": low, "high": high}]
        columns = [{"head": "state", "unit": None}, {"head": "sink", "unit": "fpm"}]
        return {"name": "drag", "tables": [{"title": "sinks", "columns": columns, "rows": [cells, cells]}]}

    changes = changes_between(context(500.0, 480.0, 520.0), context(530.0, 510.0, 550.0))
    assert [(c.row, c.before, c.after, c.within_band) for c in changes] == [
        ("clean", 500.0, 530.0, False),
        ("clean (2)", 500.0, 530.0, False),
    ]
    assert changes_between(context(500.0, 480.0, 520.0), context(500.2, 480.0, 520.0)) == ()
