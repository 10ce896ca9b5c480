"""A figure in words, for who listens: its axes, and over what each of its series goes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

_MOST_SERIES = 8


def words_of_figure(figure: dict[str, Any]) -> str:
    """The text alternative of a figure of a sheet's context (present.context_of)."""
    head = f"{figure['title']}: {_axis(figure['y'])} against {_axis(figure['x'])}"
    told = [text for one in figure["series"] if (text := _series(one, figure["categories"]))]
    more = len(told) - _MOST_SERIES
    listed = [*told[:_MOST_SERIES], *([f"and {more} more"] if more > 0 else [])]
    return ". ".join((head, *listed, "The tables below hold its numbers"))


def _axis(axis: dict[str, Any]) -> str:
    return f"{axis['label']} in {axis['unit']}" if axis["unit"] not in (None, "1") else str(axis["label"])


def _series(series: dict[str, Any], categories: list[str]) -> str | None:
    """A band is told by the curve it lies about; what has no value is not there."""
    pairs = [(x, y) for x, y in zip(series["x"], series["y"], strict=True) if x is not None and y is not None]
    if series["style"] == "band" or not series["label"] or not pairs:
        return None
    what = "curve" if series["style"] == "line" else f"{len(pairs)} point{'' if len(pairs) == 1 else 's'}"
    along = "" if categories else f" over {_range([x for x, _ in pairs])}"
    return f"{series['label']}: {what}, {_range([y for _, y in pairs])}{along}"


def _range(values: Sequence[float]) -> str:
    low, high = min(values), max(values)
    return f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
