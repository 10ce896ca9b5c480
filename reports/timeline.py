"""A sortie's time line as lines of text: lanes of states, small curves, point numbers, events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_BLOCKS = "▁▂▃▄▅▆▇█"
_FILLS = "─═░▒▓█"


@dataclass(frozen=True, slots=True)
class Stretch:
    """A word over a stretch of time, in seconds since the sortie's start."""

    start_s: float
    stop_s: float
    word: str


def lane(stretches: Sequence[Stretch], stop_s: float, width: int) -> str:
    """One state over the whole sortie as `width` characters, each value with its own fill.

    The value's name stands at the start of every stretch long enough to hold it. Stretches
    shorter than one character still show: the shortest wins the cell it touches.
    """
    cells = [" "] * width
    words = list(dict.fromkeys(s.word for s in stretches if s.word != "unknown"))
    by_length = sorted(stretches, key=lambda s: s.start_s - s.stop_s)
    for stretch in by_length:
        first, last = _cells(stretch, stop_s, width)
        fill = " " if stretch.word == "unknown" else _FILLS[words.index(stretch.word) % len(_FILLS)]
        cells[first:last] = fill * (last - first)
    text = "".join(cells)
    for stretch in by_length:
        first, last = _cells(stretch, stop_s, width)
        if last - first > len(stretch.word) and stretch.word != "unknown":
            text = text[:first] + stretch.word + text[first + len(stretch.word) :]
    return text


def curve(time_s: NDArray[np.float64], values: NDArray[np.float64], stop_s: float, width: int) -> str:
    """A channel as one line of eight block heights; blank where it was not recorded."""
    place = np.clip((time_s / stop_s * width).astype(int), 0, width - 1)
    good = np.isfinite(values)
    if not good.any():
        return " " * width
    count = np.bincount(place[good], minlength=width)
    total = np.bincount(place[good], weights=values[good], minlength=width)
    with np.errstate(invalid="ignore"):
        mean = total / count
    low, high = float(np.nanmin(mean)), float(np.nanmax(mean))
    span = high - low or 1.0
    return "".join(
        " " if n == 0 else _BLOCKS[min(7, int((m - low) / span * 8))] for n, m in zip(count, mean, strict=True)
    )


def numbers(stretches: Sequence[Stretch], stop_s: float, width: int) -> str:
    """Point numbers above their stretches; a dash fills the rest of each stretch."""
    text = [" "] * width
    for stretch in stretches:
        first, last = _cells(stretch, stop_s, width)
        text[first:last] = "▔" * (last - first)
    for stretch in stretches:
        first, _ = _cells(stretch, stop_s, width)
        for offset, digit in enumerate(stretch.word):
            if first + offset < width:
                text[first + offset] = digit
    return "".join(text)


def scale(start_minute: float, stop_s: float, width: int) -> str:
    """Minutes of the hour under the lanes, UTC, at even steps."""
    step = next(s for s in (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400) if stop_s / s <= width / 8 or s == 14400)
    first = step - (start_minute * 60) % step
    text = [" "] * (width + 6)
    for second in np.arange(first % step, stop_s, step):
        minute = round(start_minute + second / 60)
        label = f"{minute // 60 % 24:02d}:{minute % 60:02d}"
        place = int(second / stop_s * width)
        if place + len(label) <= width:
            text[place : place + len(label)] = label
    return "".join(text).rstrip()


def _cells(stretch: Stretch, stop_s: float, width: int) -> tuple[int, int]:
    first = min(width - 1, max(0, int(stretch.start_s / stop_s * width)))
    last = min(width, max(first + 1, int(np.ceil(stretch.stop_s / stop_s * width))))
    return first, last
