"""One clock: offset and drift of every recorder, each with its uncertainty, and the times corrected."""

from .alignment import Alignment, align

__all__ = ["Alignment", "align"]
