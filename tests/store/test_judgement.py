"""A person's judgement: beside what was found, tied to time, there after everything is found anew."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trimshot.shared.errors import ConditionError, StoreError, UnknownSortieError
from trimshot.store.connection import open_catalog
from trimshot.store.judgement import FIRST_ADDED, list_unattached, take_back
from trimshot.store.marks import append_mark, make_mark, read_marks
from trimshot.store.programme import Programme

DRAG = "S250506-01-drag_survey"
WORDS = ("the air was rough", "A. Pilot")


@pytest.fixture
def programme(demo_programme: Programme, tmp_path: Path) -> Programme:
    """The demo programme, copied."""
    folder = tmp_path / "p"
    shutil.copytree(demo_programme.folder, folder)
    return Programme(folder)


def found_of(programme: Programme) -> pd.DataFrame:
    return programme.points(DRAG, refused=True).set_index("number")


def judged_of(programme: Programme) -> pd.DataFrame:
    return programme.judged_points(DRAG, refused=True).set_index("number")


def stretch_of(frame: pd.DataFrame, number: int) -> tuple[dt.datetime, dt.datetime]:
    return frame.loc[number, "start_utc"].to_pydatetime(), frame.loc[number, "stop_utc"].to_pydatetime()


def test_without_a_mark_the_judged_points_are_those_found(programme: Programme) -> None:
    found, judged = programme.points(DRAG, refused=True), programme.judged_points(DRAG, refused=True)
    pd.testing.assert_frame_equal(judged[list(found.columns)], found, check_dtype=False)
    assert judged["judgement"].isna().all()
    assert judged["found_accepted"].tolist() == found["accepted"].tolist()
    pd.testing.assert_frame_equal(programme.judged_statistics(DRAG), programme.statistics(DRAG))


def test_a_rejected_point_is_out_and_still_found(programme: Programme) -> None:
    before = found_of(programme)
    programme.judge(DRAG, "reject", number=2, words=WORDS)
    pd.testing.assert_frame_equal(found_of(programme), before)
    row = judged_of(programme).loc[2]
    assert not row["accepted"]
    assert row["found_accepted"]
    assert (row["judgement"], row["judged_reason"], row["judged_by"]) == ("reject", *WORDS)
    assert 2 not in set(programme.judged_points(DRAG)["number"])
    assert abs(row["judged_utc"] - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=5)


def test_an_accepted_candidate_is_measured_in_full(programme: Programme) -> None:
    found = found_of(programme)
    number = int(found.index[~found["accepted"].astype(bool)][0])
    programme.judge(DRAG, "accept", number=number, words=WORDS)
    row = judged_of(programme).loc[number]
    assert row["accepted"]
    samples = programme.samples(DRAG, ["indicated_airspeed"], start=row["start_s"], stop=row["stop_s"])
    statistics = programme.judged_statistics(DRAG).set_index(["number", "channel"]).loc[number]
    assert statistics.loc["indicated_airspeed", "mean"] == pytest.approx(samples["indicated_airspeed"].mean(), rel=1e-9)
    assert statistics["accepted"].all()
    assert len(statistics) > len(programme.statistics(DRAG, number))


def test_a_moved_point_is_measured_where_it_was_put(programme: Programme) -> None:
    found = found_of(programme)
    start, stop = stretch_of(found, 1)
    target = (start + dt.timedelta(seconds=20), stop - dt.timedelta(seconds=20))
    programme.judge(DRAG, "move", number=1, stretch=target, words=WORDS)
    row = judged_of(programme).loc[1]
    assert (row["start_utc"], row["stop_utc"]) == target
    assert row["start_s"] == pytest.approx(found.loc[1, "start_s"] + 20)
    assert row["moved_from_s"] == found.loc[1, "start_s"]
    inside = programme.samples(DRAG, ["pressure_altitude"], start=row["start_s"], stop=row["stop_s"])
    assert row["pressure_altitude"] == pytest.approx(inside["pressure_altitude"].mean(), rel=1e-9)
    assert row["pressure_altitude"] != found.loc[1, "pressure_altitude"]


def test_an_added_point_has_its_configuration_and_numbers(programme: Programme) -> None:
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"].to_pydatetime()
    phases = programme.phases(DRAG)
    climb = phases[phases["kind"] == "climb"].iloc[0]
    target = (start + dt.timedelta(seconds=climb["start_s"]), start + dt.timedelta(seconds=climb["start_s"] + 12))
    programme.judge(DRAG, "add", stretch=target, words=WORDS)
    judged = judged_of(programme)
    own = judged[judged["judgement"] == "add"]
    assert len(own) == 1
    row = own.iloc[0]
    assert row["accepted"]
    assert (row["start_utc"], row["stop_utc"]) == target
    assert row["kind"] == "climb"
    states = programme.states(DRAG, "gear")
    middle = row["start_s"] + 6
    at = states[(states["start_s"] <= middle) & (states["stop_s"] > middle)]["value"].iloc[0]
    assert row["gear"] == at
    assert np.isfinite(row["calibrated_airspeed"])


def test_what_was_added_and_is_found_as_well_is_one_point(programme: Programme) -> None:
    start, stop = stretch_of(found_of(programme), 3)
    programme.judge(DRAG, "add", stretch=(start + dt.timedelta(seconds=2), stop), words=WORDS)
    judged = judged_of(programme)
    assert len(judged) == len(found_of(programme))
    assert judged.loc[3, "judgement"] == "add"
    assert judged.loc[3, "start_utc"] == start + dt.timedelta(seconds=2)


def test_the_last_word_counts_and_can_be_withdrawn(programme: Programme) -> None:
    programme.judge(DRAG, "reject", number=1, words=WORDS)
    programme.judge(DRAG, "accept", number=1, words=("looked again", "B. Engineer"))
    assert judged_of(programme).loc[1, ["accepted", "judgement", "judged_by"]].tolist() == [
        True,
        "accept",
        "B. Engineer",
    ]
    programme.judge(DRAG, "reject", number=1, words=WORDS)
    programme.judge(DRAG, "withdraw", number=1, words=WORDS)
    row = judged_of(programme).loc[1]
    assert row["accepted"]
    assert pd.isna(row["judgement"])
    assert [mark.action for mark in programme.marks(DRAG)] == ["reject", "accept", "reject", "withdraw"]


def test_an_added_point_that_is_withdrawn_is_gone(programme: Programme) -> None:
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"].to_pydatetime()
    target = (start + dt.timedelta(seconds=5), start + dt.timedelta(seconds=15))
    programme.judge(DRAG, "add", stretch=target, words=WORDS)
    assert FIRST_ADDED in judged_of(programme).index
    programme.judge(DRAG, "withdraw", number=FIRST_ADDED, words=WORDS)
    assert FIRST_ADDED not in judged_of(programme).index


def test_marks_hold_when_points_are_found_anew_and_when_all_is_rebuilt(programme: Programme) -> None:
    found = found_of(programme)
    number = int(found.index[~found["accepted"].astype(bool)][0])
    programme.judge(DRAG, "reject", number=2, words=WORDS)
    programme.judge(DRAG, "accept", number=number, words=WORDS)
    stretches = {stretch_of(found, 2): False, stretch_of(found, number): True}
    assert programme.redetect([DRAG], criteria=None).count("failed") == 0
    again = judged_of(programme)
    for (start, stop), accepted in stretches.items():
        row = again[(again["start_utc"] == start) & (again["stop_utc"] == stop)].iloc[0]
        assert bool(row["accepted"]) is accepted
    (programme.folder / "programme.duckdb").unlink()
    assert programme.rebuild().count("failed") == 0
    again = judged_of(programme)
    for (start, stop), accepted in stretches.items():
        row = again[(again["start_utc"] == start) & (again["stop_utc"] == stop)].iloc[0]
        assert bool(row["accepted"]) is accepted
    with open_catalog(programme.folder) as connection:
        rows = connection.execute("SELECT id, sortie, action, reason, person FROM mark ORDER BY made_utc").fetchall()
    assert rows == [(mark.id, DRAG, mark.action, *WORDS) for mark in programme.marks()]


def test_a_mark_follows_its_stretch_not_its_number(programme: Programme) -> None:
    """Other criteria find other points with other numbers: the mark goes with the time."""
    start, stop = stretch_of(found_of(programme), 5)
    programme.judge(DRAG, "reject", number=5, words=WORDS)
    text = (programme.folder / "settings.toml").read_text(encoding="utf-8")
    (programme.folder / "settings.toml").write_text(
        text + '\n[points]\nairspeed_trend = "0.02 kt/s"\n', encoding="utf-8"
    )
    programme.redetect([DRAG])
    judged = programme.judged_points(DRAG, refused=True)
    said = judged[judged["judgement"] == "reject"]
    assert len(said) + len(list_unattached(programme.folder, DRAG)) == 1
    for row in said.to_dict("records"):
        assert (min(row["stop_utc"], stop) - max(row["start_utc"], start)) / max(
            stop - start, row["stop_utc"] - row["start_utc"]
        ) >= 0.5


def test_a_rejection_of_what_is_no_longer_found_waits(programme: Programme) -> None:
    start, stop = stretch_of(found_of(programme), 1)
    programme.judge(DRAG, "reject", number=1, words=WORDS)
    path = programme.folder / "marks.jsonl"
    entry = json.loads(path.read_text(encoding="utf-8"))
    shift = dt.timedelta(days=1)
    path.write_text(
        json.dumps({**entry, "start_utc": (start + shift).isoformat(), "stop_utc": (stop + shift).isoformat()}) + "\n"
    )
    assert [mark.id for mark in list_unattached(programme.folder, DRAG)] == [entry["id"]]
    assert judged_of(programme)["judgement"].isna().all()


def test_a_mark_of_a_run_that_was_ended_reaches_the_catalog_with_the_next_writer(programme: Programme) -> None:
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"].to_pydatetime()
    stretch = (start + dt.timedelta(seconds=20), start + dt.timedelta(seconds=40))
    programme.judge(DRAG, "add", stretch=stretch, words=WORDS)
    append_mark(programme.folder, make_mark(DRAG, "add", stretch, reason=WORDS[0], by=WORDS[1]))  # and no further
    programme.add([])
    with open_catalog(programme.folder) as connection:
        copied = {row[0] for row in connection.execute("SELECT id FROM mark").fetchall()}
    assert copied == {mark.id for mark in read_marks(programme.folder)}
    assert len(copied) == 2


def test_marks_outlast_a_sortie_that_was_taken_out(programme: Programme, tmp_path: Path) -> None:
    source = tmp_path / DRAG
    shutil.copytree(programme.folder / "sorties" / DRAG / "source", source)
    programme.judge(DRAG, "reject", number=1, words=WORDS)
    programme.remove(DRAG)
    assert len(programme.judged_points()) == len(programme.points())
    assert programme.add([source]).count("added") == 1
    assert not judged_of(programme).loc[1, "accepted"]


def test_marks_of_another_flight_of_the_same_name_touch_nothing(programme: Programme, tmp_path: Path) -> None:
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"].to_pydatetime()
    programme.judge(DRAG, "add", stretch=(start, start + dt.timedelta(seconds=30)), words=WORDS)
    programme.judge(DRAG, "reject", number=1, words=WORDS)
    programme.remove(DRAG)
    other = tmp_path / DRAG
    other.mkdir()
    rows = [f"2031-03-14T09:{m:02d}:{s:02d}Z,0.0,1200" for m in range(3) for s in range(60)]
    (other / "log.csv").write_text("\n".join(["time_utc,ias_kt,pressure_alt_ft", *rows]) + "\n")
    assert programme.add([other]).count("added") == 1
    assert len(programme.judged_points(DRAG, refused=True)) == len(programme.points(DRAG, refused=True))
    assert len(list_unattached(programme.folder, DRAG)) == 2


@pytest.mark.parametrize(
    ("action", "given", "says"),
    [
        ("approve", {"number": 1}, "not a judgement"),
        ("reject", {"number": 9999}, "no such point"),
        ("reject", {}, "no such point"),
        ("move", {"number": 1}, "need a stretch"),
        ("reject", {"number": 1, "words": ("", "A")}, "a reason"),
        ("reject", {"number": 1, "words": ("x", " \u202e ")}, "a name"),
        ("reject", {"number": 1, "words": ("x" * 501, "A")}, "a reason"),
    ],
)
def test_a_judgement_that_is_none_is_refused_and_nothing_kept(
    programme: Programme, action: str, given: dict[str, object], says: str
) -> None:
    with pytest.raises(ConditionError, match=says):
        programme.judge(DRAG, action, **{"words": WORDS, **given})  # type: ignore[arg-type]
    assert programme.marks() == []


@pytest.mark.parametrize("shift", [(-3600, -3500), (10, 5), (0, 100_000)])
def test_a_stretch_outside_the_sortie_is_refused(programme: Programme, shift: tuple[int, int]) -> None:
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"].to_pydatetime()
    target = (start + dt.timedelta(seconds=shift[0]), start + dt.timedelta(seconds=shift[1]))
    with pytest.raises(ConditionError):
        programme.judge(DRAG, "add", stretch=target, words=WORDS)


def test_an_unknown_sortie_is_told(programme: Programme) -> None:
    with pytest.raises(UnknownSortieError):
        programme.judge("nobody", "reject", number=1, words=WORDS)


def test_a_damaged_file_of_marks_is_told_and_blocks_nothing_silently(programme: Programme) -> None:
    (programme.folder / "marks.jsonl").write_text('{"id": "x"}\n')
    with pytest.raises(StoreError, match=r"marks\.jsonl"):
        read_marks(programme.folder)
    with pytest.raises(StoreError, match=r"marks\.jsonl"):
        programme.judged_points(DRAG)
    assert len(programme.points(DRAG))


def test_words_are_kept_on_one_line(programme: Programme) -> None:
    mark = programme.judge(DRAG, "reject", number=1, words=("two\nlines\x1b[31m and\ta tab", "A\u202eB"))
    assert (mark.reason, mark.person) == ("two lines[31m and a tab", "AB")
    assert len((programme.folder / "marks.jsonl").read_text(encoding="utf-8").splitlines()) == 1


def test_a_configuration_chooses_among_judged_points(programme: Programme) -> None:
    chosen = programme.judged_points(config={"gear": "down"})
    assert set(chosen["gear"]) == {"down"}
    assert len(chosen) == len(programme.points(config={"gear": "down"}))
    with pytest.raises(ConditionError):
        programme.judged_points(config={"wheels": "down"})


def test_one_judgement_is_taken_back_and_the_one_before_holds_again(programme: Programme) -> None:
    """Rejected by one, accepted by another, the second taken back: rejected again; nothing leaves the file."""
    first = programme.judge(DRAG, "reject", number=2, words=WORDS)
    second = programme.judge(DRAG, "accept", number=2, words=("steady enough", "B. Pilot"))
    assert judged_of(programme).loc[2, "accepted"]
    undo = take_back(programme.folder, DRAG, second.id, ("looked again", "B. Pilot"))
    row = judged_of(programme).loc[2]
    assert not row["accepted"]
    assert row["judged_by"] == WORDS[1]
    assert [mark.id for mark in read_marks(programme.folder)] == [first.id, second.id, undo.id]
    kept = programme.sql("SELECT id, takes_back FROM mark").set_index("id")["takes_back"]
    assert kept[undo.id] == second.id
    assert kept.drop(undo.id).isna().all()
    take_back(programme.folder, DRAG, undo.id, ("it was steady", "B. Pilot"))  # taking back a taking back
    assert judged_of(programme).loc[2, "judged_by"] == "B. Pilot"
    with pytest.raises(ConditionError):
        take_back(programme.folder, DRAG, undo.id, WORDS)  # is taken back already
    with pytest.raises(ConditionError):
        take_back(programme.folder, DRAG, "000000000000", WORDS)
    assert list_unattached(programme.folder, DRAG) == []


def test_a_taken_back_judgement_stays_so_after_everything_is_found_anew(programme: Programme) -> None:
    mark = programme.judge(DRAG, "reject", number=2, words=WORDS)
    take_back(programme.folder, DRAG, mark.id, WORDS)
    programme.redetect([DRAG])
    assert programme.judged_points(DRAG, refused=True)["judgement"].isna().all()


def test_the_numbers_there_are_stand_in_a_run(programme: Programme) -> None:
    with pytest.raises(ConditionError) as told:
        programme.judge(DRAG, "reject", number=9999, words=WORDS)
    assert told.value.allowed == f"1 to {len(programme.points(DRAG, refused=True))}"
