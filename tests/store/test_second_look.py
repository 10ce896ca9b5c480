"""What one sortie says of an aircraft's gear reaches its other sorties, whatever the order they came in.

The sortie without a gear switch is one of tests/data/sorties with the switches' file left out; its truth is the
flight simulation's.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pandas as pd
import pytest

from tests.answers import hash_answers
from tests.scoring import Count, load_truth, score_events
from trimshot.store.programme import Programme, create_programme

SORTIES = Path(__file__).parent.parent / "data" / "sorties"
BARE, WITNESS = "S250511-06-speed_box", "S250509-04-handling"  # the same aircraft


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sortie as it would lie there had nobody recorded gear and flap."""
    path = tmp_path_factory.mktemp("bare") / f"{BARE}.zip"
    with zipfile.ZipFile(SORTIES / f"{BARE}.zip") as whole, zipfile.ZipFile(path, "w") as rest:
        kept = [name for name in whole.namelist() if "discretes" not in name]
        assert len(kept) == len(whole.namelist()) - 1
        for name in kept:
            rest.writestr(name, whole.read(name))
    return path


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory, bare: Path) -> Programme:
    """First the sortie without switches, then one of the aircraft that recorded its gear moving."""
    programme = create_programme(tmp_path_factory.mktemp("grown") / "programme")
    first = programme.add([bare])
    assert first.count("added") == 1
    assert set(programme.states(BARE, "gear")["value"]) == {"unknown"}
    report = programme.add([SORTIES / f"{WITNESS}.zip"])
    assert [(one.sortie, one.status) for one in report.sorties] == [(WITNESS, "added"), (BARE, "replaced")]
    assert "gear moves" in report.sorties[1].note
    return programme


def gear_finding(programme: Programme) -> pd.Series[str]:
    findings = programme.findings(BARE)
    (row,) = findings[findings["place"] == "gear"].to_dict("records")
    return pd.Series(row)


def test_a_sortie_of_before_is_detected_again_when_another_shows_that_the_gear_moves(grown: Programme) -> None:
    assert gear_finding(grown)["code"] == "STATE_INFERRED"
    assert "another sortie of this aircraft" in gear_finding(grown)["text"]
    moves = grown.events(BARE)
    moves = moves[moves["kind"].isin(["gear_up", "gear_down"])]
    assert list(moves["kind"]) == ["gear_up", "gear_down"]
    assert moves["confidence"].max() <= 0.7  # told from drag: never more than likely
    truth = load_truth(SORTIES.parent / "truth" / f"{BARE}.json.gz")
    total = Count()
    for kind in ("gear_up", "gear_down"):
        total += score_events(truth, kind, [t.timestamp() for t in moves[moves["kind"] == kind]["time_utc"]])
    assert total.true >= 1 and total.missed <= 1, total
    assert bool(grown.sorties().set_index("sortie").loc[BARE, "settings_current"])


def test_the_order_of_adding_decides_nothing(grown: Programme, bare: Path, tmp_path: Path) -> None:
    other = create_programme(tmp_path / "other")
    report = other.add([SORTIES / f"{WITNESS}.zip", bare])
    assert [(one.sortie, one.status) for one in report.sorties] == [(WITNESS, "added"), (BARE, "added")]
    assert hash_answers(other, with_find=False) == hash_answers(grown, with_find=False)
    assert [one.status for one in other.add([bare]).sorties] == ["unchanged"]  # nothing is left to look at again
    assert other.redetect([BARE]).count("replaced") == 1
    assert other.rebuild().count("replaced") == 2
    assert hash_answers(other, with_find=False) == hash_answers(grown, with_find=False)


def test_settings_that_say_fixed_are_believed(bare: Path, tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "fixed")
    (programme.folder / "settings.toml").write_text("[aircraft]\nretractable_gear = false\n", encoding="utf-8")
    report = programme.add([SORTIES / f"{WITNESS}.zip", bare])
    assert len(report.sorties) == 2
    assert set(programme.states(BARE, "gear")["value"]) == {"fixed"}


def test_what_a_sortie_told_goes_with_it(grown: Programme, bare: Path, tmp_path: Path) -> None:
    """Without the one that showed the gear moving the other is as if it had been added alone."""
    alone = create_programme(tmp_path / "alone")
    alone.add([bare])
    other = create_programme(tmp_path / "other")
    other.add([SORTIES / f"{WITNESS}.zip", bare])
    report = other.remove(WITNESS)
    assert [one.sortie for one in report.sorties] == [BARE]
    assert "is gone" in report.sorties[0].note
    assert set(other.states(BARE, "gear")["value"]) == {"unknown"}
    assert hash_answers(other, with_find=False) == hash_answers(alone, with_find=False)
    assert other.remove(BARE).sorties == ()
