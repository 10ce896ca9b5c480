"""Altitudes told apart by comparison: satellite ones named, others only explained."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.ingest.datum import explain_altitudes, name_satellite_altitudes
from trimshot.shared.findings import Finding
from trimshot.shared.recording import Clock, Column, Source, Track

SECONDS = np.arange(0, 300, 1.0)
HEIGHT = 1500 + 300 * np.sin(SECONDS / 50)


def track(name: str, **columns: np.ndarray) -> Track:
    held = {n: Column(n, v.astype(np.float64), "m", n) for n, v in columns.items()}
    source = Source(f"{name}.csv", "00", 1, "test", 1, "A", Clock("utc"))
    count = len(SECONDS)
    return Track(name, SECONDS, held, (source,), np.arange(1, count + 1), np.zeros(count, dtype=np.int16))


def question(file: str) -> Finding:
    return Finding("ALT_DATUM_UNKNOWN", "alt: which?", "doubt", file, facts={"question": "which altitude?"})


@pytest.mark.parametrize(
    ("offset", "name"),
    [(2.0, "gnss_altitude"), (47.0, "gnss_ellipsoid_altitude"), (20.0, "gnss_unnamed_altitude")],
)
def test_satellite_altitude_is_named_by_the_receiver_it_equals(offset: float, name: str) -> None:
    # geoid 46 m above the ellipsoid
    display = track("display", gnss_unnamed_altitude=HEIGHT + offset)
    receiver = track("gnss", gnss_altitude=HEIGHT, gnss_ellipsoid_altitude=HEIGHT + 46)
    (named, _), findings = name_satellite_altitudes([display, receiver])
    assert set(named.columns) == {name}
    assert named.columns[name].name == name
    assert len(findings) == (name != "gnss_unnamed_altitude")


def test_nothing_is_named_where_sea_level_and_ellipsoid_meet() -> None:
    display = track("display", gnss_unnamed_altitude=HEIGHT)
    receiver = track("gnss", gnss_altitude=HEIGHT, gnss_ellipsoid_altitude=HEIGHT + 3)
    (named, _), findings = name_satellite_altitudes([display, receiver])
    assert set(named.columns) == {"gnss_unnamed_altitude"}
    assert findings == ()


def test_unnamed_altitude_is_compared_and_still_asked_about() -> None:
    display = track("display", unnamed_altitude=HEIGHT + 1)
    other = track("log", pressure_altitude=HEIGHT)
    (finding,) = explain_altitudes([question("display.csv")], [display, other])
    assert "within 1.0 m of the pressure altitude of log.csv" in finding.text
    assert finding.facts["question"]
    assert "unnamed_altitude" in display.columns


def test_steeper_altitude_is_told_with_its_slope() -> None:
    # geometric height on a warm day changes by T / T_standard: 4 % more
    display = track("display", unnamed_altitude=1.04 * HEIGHT)
    (finding,) = explain_altitudes([question("display.csv")], [display, track("log", pressure_altitude=HEIGHT)])
    assert "changing 1.040 times as much" in finding.text


def test_nobody_to_compare_with() -> None:
    asked = question("display.csv")
    assert explain_altitudes([asked], [track("display", unnamed_altitude=HEIGHT)]) == (asked,)
