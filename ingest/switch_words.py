"""Switches written in words: true and false, on and off, yes and no."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_PAIRS = (("true", "false"), ("on", "off"), ("yes", "no"), ("ja", "nein"), ("oui", "non"), ("t", "f"), ("y", "n"))


def read_switch(words: NDArray[Any]) -> NDArray[np.float64] | None:
    """1 and 0 of words, (n,), NaN where None; None where they are not all words of one pair."""
    met = {word for word in set(words.tolist()) if word is not None}
    folded = {word: str(word).strip().lower() for word in met}
    for yes, no in _PAIRS:
        if met and set(folded.values()) <= {yes, no}:
            values = {word: 1.0 if text == yes else 0.0 for word, text in folded.items()}
            return np.array([values.get(word, np.nan) for word in words.tolist()], dtype=np.float64)
    return None
