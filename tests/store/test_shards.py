"""A condition asked in shares gives the answer it gives as a whole."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from tests.small_sorties import write_sortie
from trimshot.shared.errors import ChannelError, ConditionError, UnknownSortieError
from trimshot.store.engine import HERE, ThisProcess
from trimshot.store.engine_choice import open_engine
from trimshot.store.find import FindResult
from trimshot.store.narrowing import Narrowing
from trimshot.store.programme import Programme, create_programme

WIDE = ThisProcess(window=3)  # shares of a third each, worked on in this process

QUESTIONS: list[tuple[str, dict[str, Any]]] = [
    ("indicated_airspeed > kt(90)", {"at_least_s": 5.0, "join_s": 2.0}),
    ("phase = 'climb'", {}),
    ("gear = 'nowhere' OR indicated_airspeed > kt(90)", {}),
    ("manifold_pressure > 0", {}),
    ("engine_speed > rpm(100)", {"channels": ("outside_air_temperature",), "sortie": ["S1", "S3", "S5"]}),
    ("indicated_airspeed > kt(90)", {"channels": ("manifold_pressure",), "sortie": ["S1", "S7"]}),
    ("indicated_airspeed > kt(500)", {}),
    ("indicated_airspeed > kt(80)", {"narrowed": Narrowing(within=("phases",))}),
]


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    folder = tmp_path_factory.mktemp("shards")
    for day in range(1, 7):
        write_sortie(folder / "logs" / f"S{day}", day)
    other = write_sortie(folder / "logs" / "S7", 7) / "log.csv"
    other.write_text(other.read_text().replace("rpm", "map_inhg").replace(",2307", ",24.5"), encoding="utf-8")
    programme = create_programme(folder / "p")
    assert programme.add([folder / "logs"]).count("added") == 7
    return programme


def check_equal(found: FindResult, whole: FindResult) -> None:
    pd.testing.assert_frame_equal(found.frame, whole.frame, check_exact=True)
    assert found.frame.attrs == whole.frame.attrs
    assert (found.considered, list(found.left_out.items())) == (whole.considered, list(whole.left_out.items()))
    assert (found.condition_sql, found.notes, found.routes) == (whole.condition_sql, whole.notes, whole.routes)


@pytest.mark.parametrize(("condition", "more"), QUESTIONS)
def test_shares_give_the_answer_of_the_whole(programme: Programme, condition: str, more: dict[str, Any]) -> None:
    check_equal(programme.find(condition, **more, engine=WIDE), programme.find(condition, **more))


def test_the_questions_are_worth_asking(programme: Programme) -> None:
    sizes = [len(programme.find(condition, **more).frame) for condition, more in QUESTIONS]
    assert sizes[0] >= 7 and sizes[6] == 0 and sum(size > 0 for size in sizes) >= 6, sizes
    assert programme.find(QUESTIONS[3][0]).left_out, "a condition that leaves sorties out"


def test_a_pool_answers_the_same(programme: Programme) -> None:
    with open_engine(2) as engine:
        for condition, more in (QUESTIONS[0], QUESTIONS[3]):
            check_equal(programme.find(condition, **more, engine=engine), programme.find(condition, **more))


def test_errors_are_those_of_the_whole(programme: Programme) -> None:
    for engine in (WIDE, HERE):
        with pytest.raises(UnknownSortieError, match="nothing"):
            programme.find("phase = 'climb'", sortie=["S1", "nothing"], engine=engine)
        with pytest.raises(ConditionError):
            programme.find("phase = ", engine=engine)
        with pytest.raises(ChannelError, match="no sortie has such a channel"):
            programme.find("phase = 'climb'", channels=("oil_pressure",), engine=engine)
