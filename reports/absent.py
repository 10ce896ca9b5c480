"""What to say when a listing is empty because a word in it is nowhere: which words there are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..store.programme import Programme


def tell_absent(programme: Programme, view: str, asked: Mapping[str, str | None]) -> str:
    """Lines for the words asked for that no row of a view has, with those there are; empty when each is somewhere.

    view: points, events or manoeuvres; asked: column of it -> the word, or the beginning of one up to a `_`.
    """
    return "".join(_absence(programme, view, column, word) for column, word in asked.items() if word)


def _absence(programme: Programme, view: str, column: str, word: str) -> str:
    found = programme.sql(f"SELECT DISTINCT {column} AS word FROM {view} WHERE {column} IS NOT NULL ORDER BY 1")["word"]
    there = [str(one) for one in found]
    if any(one == word or one.startswith(f"{word}_") for one in there):
        return ""
    return f"\nnote: no sortie has {view} with {column} {word!r}; found: {', '.join(there) or 'none'}"
