"""What was flown, what to fly next."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions import next_sheet
from trimshot.reports.reductions.conditions import with_conditions
from trimshot.reports.reductions.coverage import SPEED_STEP, Row, reduce_coverage
from trimshot.reports.reductions.coverage_sheet import sheet_of
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.next_points import indicated_for, propose_points
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

KT = 1852 / 3600
LIMITS = """
[aircraft]
name = "SALLOW-R1"
stall_speed_clean = "65 kt"
stall_speed_landing = "60 kt"
never_exceed_speed = "180 kt"
gear_extended_speed = "125 kt"
[[aircraft.flap_settings]]
name = "full"
limit_speed = "95 kt"
"""


@pytest.fixture(scope="module")
def evidence(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


def with_settings(evidence: Evidence, text: str) -> Evidence:
    return dataclasses.replace(evidence, settings=parse_settings(text, "t"))


def test_every_point_is_in_exactly_one_cell(evidence: Evidence) -> None:
    result = reduce_coverage(evidence)
    origin = [one for row in result.rows for cell in row.cells for one in cell.origin]
    assert len(origin) == len(set(origin)) == len(evidence.points)
    assert sum(result.by_height.values()) == len(evidence.points)
    for row in result.rows:
        assert sum(cell.count for cell in row.cells) == row.points
        for cell in row.cells:
            own = evidence.points.merge(
                pd.DataFrame([(o.sortie, o.number) for o in cell.origin], columns=["sortie", "number"])
            )
            assert (
                (own["calibrated_airspeed"] >= cell.speed) & (own["calibrated_airspeed"] < cell.speed + SPEED_STEP)
            ).all()
    assert sheet_of(result, evidence.settings).statements[0].startswith(f"{len(evidence.points)} points of 7 flights")


def test_flaps_go_out_step_by_step(eleven: Programme) -> None:
    proposed = propose_points(gather_evidence(eleven, aircraft="TUSSOCK-U1"), 8).points
    # build-up: less drag first; the flaps of this aircraft add drag in the order of their names (tests/data/sorties, truth)
    assert list(dict.fromkeys(one.condition.flap for one in proposed)) == ["up", "half", "full"]


def test_proposals_stay_inside_every_limit_of_the_settings(evidence: Evidence) -> None:
    result = propose_points(with_settings(evidence, LIMITS), 20)
    assert result.points
    for one in result.points:
        assert one.lowest <= one.airspeed <= one.highest
        if one.condition.flap == "full":
            assert one.airspeed <= 95 * KT + 1e-9
        if one.condition.gear == "down":
            assert one.airspeed <= 125 * KT + 1e-9
        stall = 65 if one.condition.flap == "up" else 60
        assert one.airspeed >= 1.2 * stall * KT - 1e-9


def test_without_limits_nothing_is_proposed_beyond_what_was_flown(evidence: Evidence) -> None:
    rows = {row.condition: row for row in reduce_coverage(evidence).rows}
    for one in propose_points(evidence, 20).points:
        row = rows[one.condition]
        assert row.slowest <= one.airspeed <= row.fastest
    assert all(one.condition.propulsion == "idle" for one in propose_points(evidence, 20).points)


def test_a_proposed_point_narrows_the_band_where_it_is_flown(evidence: Evidence) -> None:
    for one in propose_points(evidence, 10).points:
        assert one.half_width_then < one.half_width_now


def test_proposed_points_beat_points_chosen_blindly(evidence: Evidence) -> None:
    """Replay on known information: the same number of points anywhere leaves wider bands on the average."""
    from trimshot.reports.reductions import next_points as module

    rows = [row for row in reduce_coverage(evidence).rows if row.condition.kind == "glide"]
    points = with_conditions(evidence.points)

    def design_of(row: Row) -> module._Design:
        return module._design(row, points[points["condition"] == row.condition], evidence.settings.aircraft)

    def mean_band(more: list[tuple[int, float]]) -> float:
        designs = [design_of(row) for row in rows]
        for which, speed in more:
            vector = module._regressor(speed, designs[which].weight)
            designs[which].information = (
                designs[which].information + np.outer(vector, vector) / designs[which].error ** 2
            )
        return float(
            np.mean([np.sqrt(module._spread(d.information, v, d.weight)) for d in designs for v in module._grid(d)])
        )

    chosen = [([r.condition for r in rows].index(p.condition), p.airspeed) for p in propose_points(evidence, 6).points]
    random = np.random.default_rng(3)
    grids = [module._grid(design_of(row)) for row in rows]
    blind = []
    for _ in range(30):
        picks = [int(random.integers(len(rows))) for _ in chosen]
        blind.append(mean_band([(w, float(random.choice(grids[w]))) for w in picks]))
    assert mean_band(chosen) < min(blind) + 1e-12


def test_the_airspeed_to_show_follows_the_position_error() -> None:
    aircraft = parse_settings(
        "".join(
            f"[[aircraft.position_error]]\nindicated = '{i} kt'\ncorrection = '{c} kt'\n"
            for i, c in ((60, 3), (140, -1))
        ),
        "t",
    ).aircraft
    # 100 kt indicated is 100 + 1 kt calibrated on the straight line between the rows
    assert indicated_for(101 * KT, aircraft) == pytest.approx(100 * KT)
    assert indicated_for(101 * KT, parse_settings("", "t").aircraft) == 101 * KT


def test_an_empty_programme_says_what_it_needs(evidence: Evidence) -> None:
    empty = dataclasses.replace(evidence, points=evidence.points.iloc[:0])
    assert sheet_of(reduce_coverage(empty), empty.settings).missing
    sheet = next_sheet.run(empty)
    assert sheet.missing and "sign" in sheet.cautions[0]
