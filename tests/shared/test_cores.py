"""Columns worked on by several threads come back in their order, errors included."""

from __future__ import annotations

import threading

import pytest

from trimshot.shared.cores import FEWEST_ROWS, MOST_ROWS, each


@pytest.mark.parametrize("rows", [1, FEWEST_ROWS, MOST_ROWS + 1])
def test_results_stand_in_the_order_of_the_items(rows: int) -> None:
    assert each(lambda item: item * item, range(100), rows=rows) == [n * n for n in range(100)]


@pytest.mark.parametrize("rows", [FEWEST_ROWS - 1, MOST_ROWS + 1])
def test_short_and_very_long_columns_stay_in_one_thread(rows: int) -> None:
    assert set(each(lambda _: threading.get_ident(), range(20), rows=rows)) == {threading.get_ident()}


def test_two_columns_are_worked_on_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    together = threading.Barrier(2, timeout=30)  # breaks, and the test with it, unless two threads come
    assert len(each(lambda _: together.wait(), range(2), rows=FEWEST_ROWS)) == 2


@pytest.mark.parametrize("rows", [1, FEWEST_ROWS])
def test_an_error_of_one_column_is_the_callers(rows: int) -> None:
    with pytest.raises(ZeroDivisionError):
        each(lambda item: 1 // item, [1, 0, 2], rows=rows)
