"""The main job on simulated sorties with an independent truth: files in, points and events out.

Truth: tests/data/truth/*.json.gz, written by the flight simulation that flew the sorties, not by
this program. The floors asserted lie below what is reached (CHANGELOG, docs/measurements.md), so
that they fail on a real loss and not on a change of the third digit.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.scoring import Count, Truth, load_truth, score_events, score_points
from trimshot.store.programme import Programme

DATA = Path(__file__).parent / "data" / "truth"
TRUTHS: dict[str, Truth] = {t["sortie"]: t for t in (load_truth(p) for p in sorted(DATA.glob("[ST]*.json.gz")))}
GENERIC = {"glide", "level"}


def intervals(programme: Programme, sortie: str) -> list[tuple[float, float]]:
    """Found glide and level points as epoch seconds."""
    points = programme.points(sortie)
    chosen = points[points["kind"].isin(GENERIC)]
    return [(a.timestamp(), b.timestamp()) for a, b in zip(chosen["start_utc"], chosen["stop_utc"], strict=True)]


def test_the_eleven_sorties_are_all_there(eleven: Programme) -> None:
    assert sorted(eleven.sorties()["sortie"]) == sorted(TRUTHS)
    assert len(TRUTHS) == 11


def test_stabilised_points_agree_with_the_truth(eleven: Programme) -> None:
    total, speed, sink = Count(), [], []
    for name, truth in TRUTHS.items():
        count, pairs = score_points(truth, intervals(eleven, name))
        total += count
        means = {round(a.timestamp(), 3): row for a, row in _points_by_start(eleven, name)}
        for segment, found in pairs:
            row = means[round(found[0], 3)]
            speed.append(row["indicated_airspeed"] / 0.514444 - segment["true"]["kias_true_position_error_only"])
            sink.append(row["sink_rate"] / 0.00508 - segment["true"]["sink_through_air_energy_corrected_fpm"])
    assert total.f1 >= 0.90, total
    assert np.median(np.abs(speed)) <= 0.5
    assert np.median(np.abs(sink)) <= 30.0


def _points_by_start(programme: Programme, sortie: str):  # type: ignore[no-untyped-def]
    points = programme.points(sortie)
    statistics = programme.statistics(sortie)
    for row in points.itertuples():
        means = statistics[statistics["number"] == row.number].set_index("channel")["mean"]
        yield row.start_utc, means


@pytest.mark.parametrize(("kind", "floor"), [("gear_up", 0.98), ("gear_down", 0.98), ("flap_change", 0.98)])
def test_recorded_gear_and_flap_events_agree_with_the_truth(eleven: Programme, kind: str, floor: float) -> None:
    total = Count()
    for name, truth in TRUTHS.items():
        if "discretes" in truth["recorders"]:
            times = [t.timestamp() for t in eleven.events(name, kind)["time_utc"]]
            total += score_events(truth, kind, times)
    assert total.true > 0
    assert total.f1 >= floor, total


@pytest.mark.parametrize(
    ("kinds", "aircraft", "floor"),
    [
        (("gear_up", "gear_down"), "ST", 0.78),
        (("flap_change",), "S", 0.95),
        (("flap_change",), "T", 0.82),
    ],
)
def test_gear_and_flap_told_from_the_response_agree_with_the_truth(
    eleven: Programme, kinds: tuple[str, ...], aircraft: str, floor: float
) -> None:
    """Sorties that recorded neither, and no settings: S retracts its gear, T cannot."""
    total = Count()
    for name, truth in TRUTHS.items():
        if "discretes" in truth["recorders"] or name[0] not in aircraft:
            continue
        for kind in kinds:
            events = eleven.events(name, kind)
            assert (events["confidence"] <= 0.7).all()
            total += score_events(truth, kind, [t.timestamp() for t in events["time_utc"]])
    assert total.true > 0
    assert total.f1 >= floor, total


@pytest.mark.parametrize(("kind", "floor"), [("power", 0.86), ("rpm_command", 0.85)])
def test_power_and_propeller_commands_agree_with_the_truth(eleven: Programme, kind: str, floor: float) -> None:
    total = Count()
    for name, truth in TRUTHS.items():
        events = eleven.events(name)
        chosen = events[events["kind"].str.startswith("power_") if kind == "power" else events["kind"] == kind]
        total += score_events(truth, kind, [t.timestamp() for t in chosen["time_utc"]])
    assert total.f1 >= floor, total


@pytest.mark.parametrize(("kind", "floor"), [("liftoff", 0.97), ("touchdown", 0.97)])
def test_ground_contact_agrees_with_the_truth(eleven: Programme, kind: str, floor: float) -> None:
    total = Count()
    for name, truth in TRUTHS.items():
        total += score_events(truth, kind, [t.timestamp() for t in eleven.events(name, kind)["time_utc"]])
    assert total.f1 >= floor, total


def test_the_negative_control_holds_no_point(eleven: Programme) -> None:
    """Moderate turbulence, convection, an inattentive pilot: nothing to be measured."""
    name = "S250510-05-cross_country"
    count, _ = score_points(TRUTHS[name], intervals(eleven, name))
    assert count.false == 0


def test_every_recorder_is_read_and_every_row_accounted_for(eleven: Programme) -> None:
    for name, truth in TRUTHS.items():
        ledger = eleven.ledger(name).set_index("file")
        for recorder, facts in truth["recorders"].items():
            for file in facts["files"]:
                row = ledger.loc[file]
                assert recorder == "card" or row["rows_out"] > 0, (name, file)


def test_clock_offsets_are_recovered_within_three_of_their_own_uncertainties(eleven: Programme) -> None:
    """Recorders with whole-second stamps cut the fraction off: up to one stamp is theirs, not the clock's."""
    compared = 0
    for name, truth in TRUTHS.items():
        ledger = eleven.ledger(name)
        for recorder, allowance in (("display", 0.05), ("discretes", 0.05), ("engine", 1.0)):
            for clock in truth["recorders"].get(recorder, {}).get("clock", []):
                if clock["steps"]:
                    continue
                row = ledger[ledger["file"] == clock["file"]].iloc[0]
                if not np.isfinite(row["offset_uncertainty_s"]):
                    continue
                compared += 1
                error = abs(row["offset_s"] - clock["offset_s"])
                assert error <= 3 * row["offset_uncertainty_s"] + allowance, (name, recorder, row["offset_s"], clock)
    assert compared >= 20


def test_a_turn_point_turns_through_half_a_circle(eleven: Programme) -> None:
    """By the recorded rate of turn, which the criterion itself does not look at; 5 % for its noise."""
    points = eleven.points(kind="turn")
    rates = eleven.statistics().query("channel == 'turn_rate'").set_index(["sortie", "number"])["mean"]
    through = [
        abs(rates[(p.sortie, p.number)]) * p.duration_s for p in points.itertuples() if (p.sortie, p.number) in rates
    ]
    assert through
    assert min(through) >= 0.95 * np.pi
