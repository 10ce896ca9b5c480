"""Plain columns: what is missing stays missing, equal ones keep their order, and a question needs no slow library."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from trimshot.shared import late
from trimshot.store.columns import append_tables, arrow_table, fetch_columns, object_column, sorted_order, take_rows
from trimshot.store.connection import connect_memory
from trimshot.store.islands import group_islands, span_stretches, sum_up

ANSWER = (
    "SELECT * FROM (VALUES ('b', 1, 1.5, ['x', NULL]), (NULL, NULL, NULL, NULL), ('a', 3, 2.5, ['y'])) AS t(w, n, v, l)"
)


def test_missing_values_of_an_answer() -> None:
    with connect_memory() as connection:
        columns = fetch_columns(connection, ANSWER)
    assert columns["w"].tolist() == ["b", None, "a"]
    np.testing.assert_array_equal(columns["n"], [1.0, np.nan, 3.0])
    np.testing.assert_array_equal(columns["v"], [1.5, np.nan, 2.5])
    assert [word for word in columns["l"][0] if word] == ["x"] and columns["l"][1] is None


def test_tables_one_below_the_other() -> None:
    first = {"n": np.array([1, 2]), "w": object_column(["a", "b"])}
    second = {"n": np.array([3]), "v": np.array([0.5])}
    whole = append_tables([first, second])
    assert whole["n"].tolist() == [1, 2, 3] and whole["w"].tolist() == ["a", "b", None]
    np.testing.assert_array_equal(whole["v"], [np.nan, np.nan, 0.5])


def test_order_is_that_of_pandas() -> None:
    random = np.random.default_rng(5)
    columns = {
        "w": object_column(random.choice(["B", "a", "Ä", "aa", ""], 200)),
        "n": random.integers(0, 4, 200),
        "k": np.arange(200),
    }
    expected = pd.DataFrame(columns).astype({"w": object}).sort_values(["w", "n"], kind="stable")
    assert take_rows(columns, sorted_order(columns, ("w", "n")))["k"].tolist() == expected["k"].tolist()


def test_lists_of_equal_length_stay_lists() -> None:
    column = object_column([["a", "b"], ["c", "d"]])
    assert column.shape == (2,) and column[1] == ["c", "d"]


def test_an_empty_table_keeps_its_kinds() -> None:
    table = arrow_table({"sortie": object_column([]), "t": np.empty(0)})
    assert [str(kind) for kind in table.schema.types] == ["string", "double"]


def test_joined_islands_are_summed_as_by_hand() -> None:
    nan = float("nan")
    islands = {
        "sortie": object_column(["B", "A", "A", "A"]),
        "gap": np.array([0, 0, 0, 1]),
        "first": np.array([0, 5, 0, 9]),
        "last": np.array([1, 7, 2, 9]),
        "rows": np.array([2, 3, 3, 1]),
        "start_s": np.array([0.0, 5.0, 0.0, 9.0]),
        "stop_s": np.array([2.0, 8.0, 3.0, 10.0]),
        "sum:pitch": np.array([4.0, 6.0, 3.0, nan]),
        "count:pitch": np.array([2, 2, 3, 0]),
        "low:pitch": np.array([1.0, 2.0, 0.5, nan]),
        "first:pitch": np.array([1.0, 4.0, nan, nan]),
        "last:pitch": np.array([3.0, nan, 1.5, nan]),
        "words:flap": object_column(map(frozenset, (["up"], ["half"], ["up"], []))),
    }
    grouped = group_islands(islands, 2.0)  # A: rows 0 to 2 and 5 to 7 are 2 s apart; row 9 lies behind a gap
    stretches, sums = span_stretches(grouped), sum_up(grouped)
    assert stretches["sortie"].tolist() == ["A", "A", "B"] and stretches["rows"].tolist() == [6, 1, 2]
    assert (stretches["start_s"].tolist(), stretches["stop_s"].tolist()) == ([0.0, 9.0, 0.0], [8.0, 10.0, 2.0])
    np.testing.assert_array_equal(sums["pitch"], [9 / 5, nan, 2.0])
    np.testing.assert_array_equal(sums["pitch__low"], [0.5, nan, 1.0])
    np.testing.assert_array_equal(sums["pitch__first"], [4.0, nan, 1.0])
    np.testing.assert_array_equal(sums["pitch__last"], [1.5, nan, 3.0])
    assert sums["flap"].tolist() == ["half/up", "", "up"]


def test_a_late_library_is_the_library() -> None:
    assert late.pandas.DataFrame is pd.DataFrame
    with pytest.raises(AttributeError):
        _ = late.pandas.no_such_name


def test_a_question_is_loaded_without_slow_libraries() -> None:
    code = "import sys, trimshot.store.programme; print(*sorted({'pandas', 'tomlkit', 'scipy'} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == []
