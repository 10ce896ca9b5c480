"""Whether the crew's card speaks of a gear that moves: a plan names the gear only where there is a choice."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from ..shared.recording import TestCard

_GEAR = frozenset({"gear", "undercarriage", "uc", "fahrwerk"})
_UP = frozenset({"up", "retracted", "in"})
_WORD = re.compile(r"[a-z]+")


def plans_gear_moves(card: TestCard) -> bool:
    """Whether planned points differ in the gear: some name it and others do not, or one has it up."""
    points = [_words(point) for point in card.planned_points]
    naming = [words for words in points if _GEAR & set(words)]
    return any(_raised(words) for words in naming) or 0 < len(naming) < len(points)


def _words(point: Mapping[str, Any]) -> list[str]:
    return _WORD.findall(str(point.get("configuration") or point.get("text") or "").lower().replace("u/c", "uc"))


def _raised(words: list[str]) -> bool:
    """Whether the word beside the gear's says that it is up."""
    return any(a in _GEAR and b in _UP for a, b in pairwise(words))
