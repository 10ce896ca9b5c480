"""What may be pooled, told once for every reduction."""

from __future__ import annotations

import dataclasses

import pytest

from trimshot.reports.reductions.changes import reduce_changes
from trimshot.reports.reductions.conditions import conditions_of, gear_is_fixed
from trimshot.reports.reductions.coverage import reduce_coverage
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.next_points import propose_points
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme


@pytest.fixture(scope="module")
def fixed(eleven: Programme) -> Evidence:
    """The aircraft whose gear does not move (independent simulation, tests/data/sorties)."""
    return gather_evidence(eleven, aircraft="TUSSOCK-U1")


def test_a_gear_never_seen_to_move_is_fixed_for_every_reduction(fixed: Evidence) -> None:
    assert set(fixed.points["gear"]) == {"unknown"}  # nothing records it
    assert set(conditions_of(fixed)["gear"]) == {"fixed"}
    assert {row.condition.gear for row in reduce_coverage(fixed).rows} == {"fixed"}
    assert all("gear fixed" in one.condition for one in reduce_changes(fixed).differences)


def test_glides_with_fixed_gear_are_proposed(fixed: Evidence) -> None:
    proposed = propose_points(fixed, 6).points
    assert len(proposed) == 6
    assert {one.condition.gear for one in proposed} == {"fixed"}


def test_a_gear_that_moves_on_other_flights_is_not_fixed_on_this_one(eleven: Programme) -> None:
    everything = gather_evidence(eleven, aircraft="SALLOW-R1")
    unknown = everything.points.groupby("sortie")["gear"].agg(lambda words: not set(words) & {"up", "down"})
    assert everything.gear_moves and not gear_is_fixed(everything)
    level = gather_evidence(eleven, aircraft="SALLOW-R1", config={"gear": "unknown"})
    assert not gear_is_fixed(level)
    for sortie in unknown[unknown].index:
        assert not gear_is_fixed(gather_evidence(eleven, aircraft="SALLOW-R1", sorties=[sortie]))


def test_what_the_settings_say_of_the_gear_rules(fixed: Evidence) -> None:
    says = dataclasses.replace(fixed, settings=parse_settings("[aircraft]\nretractable_gear = true", "t"))
    assert not gear_is_fixed(says)
    assert set(conditions_of(says)["gear"]) == {"unknown"}
