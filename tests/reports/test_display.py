"""Display units: what is kept in the unit it is shown in is shown as it is."""

from __future__ import annotations

import pytest

from trimshot.reports.display import shown, shown_difference
from trimshot.shared.settings import parse_settings


@pytest.mark.parametrize(
    ("channel", "value", "wanted"),
    [
        ("latitude", 46.6, 46.6),  # coordinates stay in degrees (ingest/raw.py), angles are radians
        ("longitude", -14.4, -14.4),
        ("heading_true", 3.141592653589793, 180.0),
        ("calibrated_airspeed", 1852 / 36, 100.0),  # 1 kt = 1852 m / 3600 s, exact
        ("static_air_temperature", 288.15, 15.0),
    ],
)
def test_a_channel_is_shown_in_the_unit_told(channel: str, value: float, wanted: float) -> None:
    assert shown(value, channel, parse_settings("", "a test")) == pytest.approx(wanted)


def test_a_difference_of_coordinates_is_in_degrees() -> None:
    assert shown_difference(0.01, "latitude", parse_settings("", "a test")) == pytest.approx(0.01)
