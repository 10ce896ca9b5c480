"""The next test cards: proposed points grouped by configuration, with set-up, tolerance, limits and space for writing."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from ...shared.settings import PointCriteria, Settings
from ..reductions.conditions import Condition
from ..reductions.coverage import reduce_coverage
from ..reductions.evidence import Evidence
from ..reductions.expectation import Expectation, expect_glides
from ..reductions.next_points import NextPoint, propose_points, upper_limits
from ..reductions.next_sheet import stated_text
from ..reductions.present import range_text, say


def cards_context(evidence: Evidence, count: int = 10) -> dict[str, Any]:
    """One card per configuration in build-up order, display units."""
    result = propose_points(evidence, count)
    flown = {row.condition: row for row in reduce_coverage(evidence).rows}
    settings = evidence.settings
    expected = expect_glides(evidence, [(one.condition, one.airspeed) for one in result.points])
    cards = []
    pairs = zip(result.points, expected.each, strict=True)
    for condition, group in groupby(pairs, key=lambda one: one[0].condition):
        row = flown[condition]
        cards.append(
            {
                "title": f"Glides, gear {condition.gear}, flap {condition.flap}",
                "variant": condition.propeller,
                "set_up": _set_up(condition, settings),
                "flown": (
                    f"flown so far: {row.points} points of {row.flights} flights at "
                    f"{range_text(row.slowest, row.fastest, 'speed', settings)}, "
                    f"{range_text(*row.heights, 'altitude', settings)}, {range_text(*row.masses, 'mass', settings)}"
                ),
                "limits": _limits(condition, settings),
                "points": [_point(one, what, settings) for one, what in group],
            }
        )
    return {
        "title": "Test cards, proposed",
        "aircraft": evidence.aircraft or "aircraft not named",
        "cards": cards,
        "tolerance": tolerance_text(settings.points, settings),
        "expected_at": stated_text(expected, settings),
        "left_out": [f"{one.what}: {one.reason}" for one in result.left_out if one.reference is None],
    }


def _set_up(condition: Condition, settings: Settings) -> list[str]:
    del settings
    lever = (
        f"propeller {condition.propeller}" if condition.propeller else "propeller lever as in the points flown so far"
    )
    return [
        f"gear {condition.gear}, flap {condition.flap}",
        f"propulsion {condition.propulsion}, {lever}",
        "trim, let speed and sink settle, call the start",
    ]


def _limits(condition: Condition, settings: Settings) -> str:
    limits = upper_limits(condition, settings.aircraft)
    told = [f"{name} {say(value, 'speed', settings)}" for name, value in sorted(limits.items(), key=lambda one: one[1])]
    return "; ".join(told) or "no limit of this configuration is written in the settings"


def _point(one: NextPoint, what: Expectation, settings: Settings) -> dict[str, str]:
    turning = f", {say(what.engine_speed, 'rotation', settings)}" if what.engine_speed.is_known else ""
    sink = say(what.sink, "vertical_speed", settings) if what.sink.is_known else what.reason
    return {
        "indicated": say(one.indicated, "speed", settings),
        "calibrated": say(what.airspeed, "speed", settings),
        "why": one.reason,
        "expected": f"{sink}{turning}",
    }


def tolerance_text(criteria: PointCriteria, settings: Settings) -> str:
    """The criteria a stretch has to meet, in words."""
    return (
        f"{criteria.minimum_duration:.0f} s or more; airspeed within {say(criteria.airspeed_band, 'speed', settings, difference=True)}, "
        f"trend below {say(criteria.airspeed_trend, 'acceleration', settings)}; bank within {say(criteria.bank, 'angle', settings)}; "
        "gear, flap, power and propeller lever untouched"
    )
