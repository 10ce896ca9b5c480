"""What is wrong with a recording's samples, as findings; nothing is altered."""

from .masks import bad_samples
from .sensors import check

__all__ = ["bad_samples", "check"]
