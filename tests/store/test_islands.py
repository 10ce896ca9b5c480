"""Islands of a condition: sorties looked through side by side, and the words that occur in each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import duckdb
import pandas as pd
import pytest

from trimshot.store.connection import connect_memory
from trimshot.store.islands import Measures, Scan, gather_islands

SOURCE = "(SELECT * FROM samples WHERE list_contains(?, sortie))"
FLAPS = ("up", "half", "half", "full", None, None, "it's", "up", "up", "full")


@pytest.fixture
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    """Three sorties of ten rows a second apart, the last two rows behind a data gap, speeds 0 to 9."""
    with connect_memory() as connection:
        connection.execute(
            "CREATE TABLE samples (sortie TEXT, gap INT, i INT, t DOUBLE, until DOUBLE, v DOUBLE, flap TEXT)"
        )
        for sortie in ("A", "B", "C"):
            for i, flap in enumerate(FLAPS):
                connection.execute(
                    "INSERT INTO samples VALUES (?, ?, ?, ?, ?, ?, ?)", [sortie, int(i > 7), i, i, i + 1, i, flap]
                )
        yield connection


def gather(
    connection: duckdb.DuckDBPyConnection,
    condition: str,
    words: Mapping[str, tuple[str, ...]],
    parts: tuple[list[str], ...],
) -> pd.DataFrame:
    """The islands in order."""
    measures = Measures(("calibrated_airspeed", "flap"), words=words)
    source = SOURCE.replace("*", "*, v AS calibrated_airspeed")
    islands = pd.DataFrame(gather_islands(connection, Scan(source, parts, condition, measures)))
    return islands.sort_values(["sortie", "first"], ignore_index=True)


# by hand from FLAPS: rows 1 to 3; rows 4 and 5, where the state is not known; 6 and 7; 8 and 9 behind the gap
WORDS = [{"half", "full"}, set(), {"it's", "up"}, {"up", "full"}]


@pytest.mark.parametrize(
    "known",
    [
        {},
        {"flap": ("full", "half", "it's", "up")},
        {"flap": ("up", "never")},  # a word nobody knew of: told all the same
        {"flap": ("never",)},
    ],
)
def test_all_words_of_an_island_are_told(
    connection: duckdb.DuckDBPyConnection, known: Mapping[str, tuple[str, ...]]
) -> None:
    for condition, expected in (("i BETWEEN 1 AND 3", WORDS[0]), ("i IN (4, 5)", WORDS[1]), ("i IN (6, 7)", WORDS[2])):
        islands = gather(connection, condition, known, (["A"],))
        assert [{word for word in words if word} for words in islands["words:flap"]] == [expected]
    islands = gather(connection, "i > 5", known, (["A"],))
    assert [set(words) for words in islands["words:flap"]] == WORDS[2:]


def test_sorties_side_by_side_answer_as_one_after_the_other(connection: duckdb.DuckDBPyConnection) -> None:
    known = {"flap": ("full", "half", "it's", "up")}
    condition = "v >= 2 AND v <> 5"
    whole = gather(connection, condition, known, (["A", "B", "C"],))
    # by hand: rows 2 to 4, 6 to 7, and 8 to 9 behind the gap, of each sortie
    assert list(whole["sortie"]) == ["A"] * 3 + ["B"] * 3 + ["C"] * 3
    assert list(whole["first"]) == [2, 6, 8] * 3 and list(whole["last"]) == [4, 7, 9] * 3
    assert list(whole["sum:calibrated_airspeed"]) == [9.0, 13.0, 17.0] * 3
    for parts in ((["A"], ["B", "C"]), (["C"], ["B"], ["A"])):
        pd.testing.assert_frame_equal(gather(connection, condition, known, parts), whole)
