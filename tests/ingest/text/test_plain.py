"""Columns of text judged by their bytes: the same answers as looking at every text by itself."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.text.plain import count_decimals, find_odd, is_clean, letters_of, without_rows

TEXTS = st.lists(
    st.one_of(
        st.none(), st.text(alphabet=' "19.-,eµ\x07\xa0', max_size=6), st.sampled_from(["12.50", "-3", "7.", "---"])
    ),
    max_size=12,
)


@settings(max_examples=300, deadline=None)
@given(texts=TEXTS, skip=st.integers(0, 3))
def test_clean_means_that_every_text_is(texts: list[str | None], skip: int) -> None:
    column = pa.array(texts, pa.string()).slice(min(skip, len(texts)))
    known = [text for text in texts[skip:] if text is not None]
    fine = [
        text and text == text.strip() and text.isascii() and text.isprintable() and '"' not in text for text in known
    ]
    assert is_clean(column) <= all(fine)  # never called clean when it is not
    if known and all(fine):
        assert is_clean(column)


@settings(max_examples=300, deadline=None)
@given(
    numbers=st.lists(st.one_of(st.none(), st.from_regex(r"-?[0-9]{1,4}(\.[0-9]{0,5})?", fullmatch=True)), max_size=12),
    skip=st.integers(0, 3),
)
def test_decimals_are_those_of_the_longest(numbers: list[str | None], skip: int) -> None:
    column = pa.array(numbers, pa.string()).slice(min(skip, len(numbers)))
    longest = max((len(text.partition(".")[2]) for text in numbers[skip:] if text), default=0)
    assert count_decimals(column) == longest


@settings(max_examples=200, deadline=None)
@given(texts=TEXTS)
def test_odd_rows_end_in_no_digit(texts: list[str | None]) -> None:
    odd = find_odd(pa.array(texts, pa.string()))
    expected = [k for k, text in enumerate(texts) if text and text[-1].encode()[-1:] not in b"0123456789."]
    assert (odd is None and not any(texts)) or (odd is not None and odd.tolist() == expected)


def test_hidden_texts_count_for_nothing() -> None:
    column = pa.array(["1.5", "--.---", None, "2.25", "3"])
    hidden = without_rows(column, np.array([1]))
    assert hidden.to_pylist() == ["1.5", None, None, "2.25", "3"]
    assert count_decimals(hidden) == 2
    assert without_rows(column.slice(1), np.array([0])).to_pylist() == [None, None, "2.25", "3"]
    assert column.to_pylist()[1] == "--.---"


@pytest.mark.parametrize("values", [[], [None, None]])
def test_nothing_to_look_at(values: list[None]) -> None:
    column = pa.array(values, pa.string())
    assert letters_of(column) is None
    assert (count_decimals(column), is_clean(column)) == (0, False)


def test_exponents_are_left_to_others() -> None:
    assert count_decimals(pa.array(["1.5e3", "2.5"])) is None
