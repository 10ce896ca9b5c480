"""Which of a file's words speak of which of its tables: by the plain definition, table by table and path by path."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from trimshot.ingest.arrays import said_of_tables

PATHS = st.lists(st.sampled_from(["a", "ab", "b", "c"]), min_size=1, max_size=4)
TOPS = st.frozensets(PATHS.map("/".join), max_size=5)
TEXT = st.lists(st.tuples(PATHS, st.sampled_from(["/start", ": start", ""])), max_size=12, unique_by=str)


def _is_in(path: str, top: str) -> bool:
    return path == top or path.startswith((top + "/", top + ":"))


@given(TOPS, TEXT)
def test_a_table_hears_its_own_words_and_those_above(tops: frozenset[str], words: list[tuple[list[str], str]]) -> None:
    text = {"/".join(parts) + end: str(number) for number, (parts, end) in enumerate(words)}
    text |= {"start": "whole file"}
    for group, said in said_of_tables(sorted(tops | {""}), text):
        others = [top for top in tops if top != group and not _is_in(group, top)]
        right = {path: said for path, said in text.items() if not any(_is_in(path, top) for top in others)}
        assert said == right
        own = [path for path in right if group and _is_in(path, group)]
        assert list(said)[: len(own)] == own
