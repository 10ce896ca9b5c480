"""Which sentences belong to one moment, and which moment that is.

A receiver says one thing in several sentences. Those with equal time of day in a row are one
epoch; a sentence that comes a second time under the same stamp opens the next row. The date
stands in RMC and ZDA only: it is bound by the row, so that a position sentence sent before
the date of the new day still gets the new day.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

DAY_S = 86400.0
_HALF_DAY_S = DAY_S / 2
_WRONG_DATE_S = 30 * DAY_S  # a void date so far from the first fix's is the clock's own zero, not an earlier flight
_STRAY_ROWS = 3  # so many rows with a date of their own between equal dates are a late date, not a clock step

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Timed:
    """Sentences that carry a time of day, in file order; all arrays have shape (n,).

    sentence: index into the file's sentences. address: a number per talker and type.
    seconds: since midnight, NaN when empty. day: days since 1970-01-01, NaN when not said.
    """

    sentence: Integers
    address: Integers
    seconds: Floats
    day: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Epochs:
    """Rows. seconds: of day, shape (n,); day: shape (n,), NaN throughout when no date is known.

    turned: midnights passed since the first row. row_of: row of every timed sentence, -1 without a
    time. midnights: rows just after one. late_dates: rows whose own date still was the old day's.
    """

    seconds: Floats
    day: Floats
    turned: Integers
    row_of: Integers
    midnights: Integers
    late_dates: Integers

    @property
    def dated(self) -> bool:
        """True when the file holds at least one date."""
        return len(self.day) > 0 and bool(np.isfinite(self.day[0]))


def bind_epochs(timed: Timed) -> Epochs:
    """Rows and their dates from the timed sentences of a file."""
    usable = np.flatnonzero(np.isfinite(timed.seconds))
    row_of = np.full(len(timed.seconds), -1, dtype=np.int64)
    rows = _rows(timed.seconds[usable], timed.address[usable])
    row_of[usable] = rows
    count = int(rows.max()) + 1 if len(rows) else 0
    seconds = np.empty(count)
    seconds[rows] = timed.seconds[usable]
    day = np.full(count, np.nan)
    said = usable[np.isfinite(timed.day[usable])][::-1]  # the first date of a row wins
    day[row_of[said]] = timed.day[said]
    steps = np.diff(seconds, prepend=seconds[:1])
    turns = np.where(steps < -_HALF_DAY_S, 1, np.where(steps > _HALF_DAY_S, -1, 0))
    turned = np.cumsum(turns)
    offset, late = _settle(day - turned)
    return Epochs(seconds, offset + turned, turned.astype(np.int64), row_of, np.flatnonzero(turns > 0), late)


def _rows(seconds: Floats, address: Integers) -> Integers:
    """Row number of every sentence: runs of one stamp, split where an address comes again."""
    if not len(seconds):
        return np.empty(0, dtype=np.int64)
    run = np.cumsum(np.diff(seconds, prepend=seconds[0]) != 0)
    group = run * (int(address.max()) + 1) + address
    order = np.argsort(group, kind="stable")
    ordered = group[order]
    opens = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    position = np.arange(len(order))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = position - np.maximum.accumulate(np.where(opens, position, 0))
    key = run * (int(rank.max()) + 1) + rank
    return np.unique(key, return_inverse=True)[1].astype(np.int64)


def _settle(offset: Floats) -> tuple[Floats, Integers]:
    """Offset between the date said and the midnights counted, for every row; rows of late dates.

    Rows without a date take it from the last row that has one, leading rows from the first. Up to
    three dated rows that disagree between equal neighbours are a receiver that turns its date late.
    """
    dated = np.flatnonzero(np.isfinite(offset))
    if not len(dated):
        return offset, dated
    values = offset[dated].copy()
    late = []
    edges = np.concatenate([[0], np.flatnonzero(np.diff(values)) + 1, [len(values)]])
    for a, b in pairwise(edges[1:-1]):
        if b - a <= _STRAY_ROWS and values[a - 1] == values[b] and abs(values[a] - values[b]) == 1.0:
            values[a:b] = values[b]
            late += dated[a:b].tolist()
    last = np.searchsorted(dated, np.arange(len(offset)), side="right") - 1
    return values[np.maximum(last, 0)], np.array(late, dtype=np.int64)


def rebuild_before_fix(utc: Floats, fixed: NDArray[np.bool_]) -> tuple[Floats, Integers]:
    """Stamps before the first fix that lie a month or more off, counted back from the first fix.

    utc, fixed: shape (n,). A receiver's clock runs from an arbitrary date until it has a fix; its
    differences are right, its date is not. Returns the stamps and the rows changed.
    """
    first = int(np.argmax(fixed)) if fixed.any() else 0
    none = np.empty(0, dtype=np.int64)
    if first == 0:
        return utc, none
    wrong = np.abs(utc[:first] - utc[first]) > _WRONG_DATE_S
    if not wrong.any():
        return utc, none
    stop = int(np.flatnonzero(wrong)[-1]) + 1  # from here on the stamps are right
    after = np.diff(utc[stop:])
    steps = np.diff(utc[:stop])
    rate = float(np.median(after)) if len(after) else float(np.median(steps)) if len(steps) else 1.0
    sane = (steps > 0) & (steps < max(60.0, 10.0 * rate))
    back = np.concatenate([np.where(sane, steps, rate), [rate]])
    out = utc.copy()
    out[:stop] = utc[stop] - np.cumsum(back[::-1])[::-1]
    return out, np.arange(stop, dtype=np.int64)
