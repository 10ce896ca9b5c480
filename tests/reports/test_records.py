"""Records of points: the brief ones a table is made of hold what the whole ones do."""

from __future__ import annotations

import pytest

from trimshot.reports.records import brief_point_records, point_records
from trimshot.store.programme import Programme

CHANNELS = ("calibrated_airspeed", "sink_rate", "engine_speed", "manifold_pressure")


@pytest.mark.parametrize("refused", [False, True])
def test_brief_records_hold_what_the_whole_ones_do(eleven: Programme, refused: bool) -> None:
    brief = brief_point_records(eleven, None, {"gear": "down"}, CHANNELS, refused=refused)
    whole = point_records(eleven, None, {"gear": "down"}, refused=refused)
    assert len(brief) == len(whole) > 5
    for one, other in zip(brief, whole, strict=True):
        assert {**one, "statistics": None} == {**other, "statistics": None}
        for channel in CHANNELS:
            if channel in one["statistics"]:
                full = other["statistics"][channel]
                assert one["statistics"][channel] == {
                    key: full[key] for key in ("mean", "standard_error", "type_b", "unit")
                }
            else:
                assert other["statistics"].get(channel, {"mean": None})["mean"] is None
    assert sum(len(one["statistics"]) for one in brief) >= 2 * len(brief)
