"""What a reduction shows, as data: sentences, tables, figures, what was used and what was left out.

All numbers SI; faces (terminal, JSON, CSV, page, print) make display units of them by the `quantity`
of a column or an axis: a key of shared.settings.DISPLAY_DEFAULTS or of present.FIXED_UNITS. Nothing
here draws or prints.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from .bands import Band

Style = Literal["points", "line", "band", "bars"]


@dataclass(frozen=True, slots=True, order=True)
class Reference:
    """The way back: a point (number), or a stretch of a sortie (seconds since its start)."""

    sortie: str
    number: int | None = None
    start_s: float | None = None
    stop_s: float | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of a table: a word, or a number SI with its band (k = 2), and what it rests on."""

    value: float | int | str | None
    low: float | None = None
    high: float | None = None
    origin: tuple[Reference, ...] = ()


@dataclass(frozen=True, slots=True)
class Column:
    """A table's column. quantity: see the module; None for words and counts. difference: of two such (no zero shift)."""

    key: str
    head: str
    quantity: str | None = None
    difference: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under columns. `note` says what a reader must know to read it."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis of a figure: its words and its quantity."""

    label: str
    quantity: str | None = None
    difference: bool = False


@dataclass(frozen=True, slots=True)
class Series:
    """What is drawn as one: same label, colour and mark. y_low, y_high: bars of points, edges of a band."""

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    style: Style = "points"
    y_low: tuple[float, ...] = ()
    y_high: tuple[float, ...] = ()
    origin: tuple[Reference, ...] = ()
    pair: str | None = None  # series with one `pair` share colour and mark: measured points and the curve through them


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture as data. categories: names in place of numbers along x (x counts from 0)."""

    title: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    note: str = ""
    categories: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something a reader would expect among what was used, and why it is not."""

    what: str
    reason: str
    reference: Reference | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One reduction's answer. statements: the answer in sentences, the most wanted first, display units in the text.

    cautions: what must stand beside the numbers. missing: what the reduction would need to say more.
    """

    name: str
    title: str
    statements: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    cautions: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    used: tuple[Reference, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def dots(
    label: str,
    x: Iterable[float],
    y: Iterable[float],
    *,
    half: Iterable[float] | None = None,
    origin: tuple[Reference, ...] = (),
) -> Series:
    """Measured points, with bars of half height `half` where given; a curve of the same pair shares their look."""
    across, up = tuple(map(float, x)), tuple(map(float, y))
    reach = () if half is None else tuple(map(float, half))
    return Series(
        label,
        across,
        up,
        y_low=tuple(v - h for v, h in zip(up, reach, strict=True)) if reach else (),
        y_high=tuple(v + h for v, h in zip(up, reach, strict=True)) if reach else (),
        origin=origin,
        pair=label,
    )


def banded_curve(
    label: str, span: tuple[float, float], at: Callable[[float], Band], *, steps: int = 25, pair: str | None = None
) -> Series:
    """A curve with its band over a span of x, from the band at each x."""
    x = [float(one) for one in np.linspace(*span, steps)]
    bands = [at(one) for one in x]
    return Series(
        label,
        tuple(x),
        tuple(band.value for band in bands),
        "band",
        tuple(band.low for band in bands),
        tuple(band.high for band in bands),
        pair=pair,
    )


def cell_of(band: Band, origin: tuple[Reference, ...] = ()) -> Cell:
    """A band as a cell; an unknown one is an empty cell."""
    if band.value != band.value:
        return Cell(None, origin=origin)
    known = band.is_known
    return Cell(band.value, band.low if known else None, band.high if known else None, origin)
