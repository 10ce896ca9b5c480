"""Stamps that can be read and cannot be right: of a clock not yet set, or of a single row far from its neighbours."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ..timeline import DAY_S, usual_step

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

FAR_S = 10.0  # and 20 row steps: a row written late is nearer to its place
WEEK_S = 7 * DAY_S  # no sortie is longer
LONGEST_S = 3.2e11  # ten thousand years: no date
NEAR_DEFAULT_S = 18 * 3600.0  # a clock shows its default date in a zone, and runs on from it
# days a clock without a fix begins at, beside 1 January of any year: week 0 of the satellite scale and its returns
_DEFAULT_DAYS = np.array(["1980-01-06", "1999-08-22", "2019-04-07"], dtype="datetime64[D]")
_ZERO_STAMP = r"^[0\W_TZ]+$|^\d{4}[-/.]00[-/.]00|^00[-/.]00[-/.]\d{2,4}"


def find_zero_stamps(column: pa.Array, *, dated: Flags | None = None) -> Flags:
    """True for stamps of zeros ('00/00/0000', '2000-00-00'): a receiver without a fix wrote them.

    dated: where known, the stamps read as a date that can be; where all are, none is one of zeros.
    """
    if dated is not None and dated.all():
        return np.zeros(len(column), dtype=np.bool_)
    hits = pc.fill_null(pc.match_substring_regex(column, _ZERO_STAMP), False)
    return np.asarray(hits.to_numpy(zero_copy_only=False), dtype=np.bool_)


def count_unset(seconds: Floats) -> int:
    """Leading stamps of a clock that stood at its default date until it was set, more than a week before the rest.

    seconds: finite, shape (n,); absolute stamps since 1970, other counts give 0.
    """
    jumps = np.flatnonzero(np.diff(seconds) > WEEK_S)
    if not len(jumps) or seconds.max() < 3.2e8 or np.abs(seconds[: int(jumps[0]) + 1]).max() > LONGEST_S:
        return 0
    count = int(jumps[0]) + 1
    return count if _near_default(seconds[:count]).all() else 0


def _near_default(seconds: Floats) -> Flags:
    days = (seconds // DAY_S).astype("datetime64[D]")
    years = days.astype("datetime64[Y]")
    starts = [years.astype("datetime64[D]"), (years + np.timedelta64(1, "Y")).astype("datetime64[D]")]
    starts += [np.full(len(seconds), day) for day in _DEFAULT_DAYS]
    return np.asarray(
        np.any([np.abs(seconds - s.astype(np.float64) * DAY_S) <= NEAR_DEFAULT_S for s in starts], axis=0)
    )


def find_jumps(seconds: Floats) -> Flags:
    """True for a single stamp far from both neighbours that leave exactly its row's room between them.

    seconds: shape (n,), NaN where unreadable. Whole days are left alone: a date that changes late is mended elsewhere.
    """
    out = np.zeros(len(seconds), np.bool_)
    known = np.flatnonzero(np.isfinite(seconds))
    if len(known) < 5:
        return out
    stamps = seconds if len(known) == len(seconds) else seconds[known]
    usual = usual_step(stamps)
    steps = np.diff(stamps)
    far = np.abs(steps) > max(FAR_S, 20 * usual)
    places = np.flatnonzero(far[:-1] & far[1:]) + 1
    before, after = steps[places - 1], steps[places]
    room = before + after  # from the row before to the row after
    alone = (room >= 1.5 * usual) & (room <= 3 * usual)
    whole_days = np.abs(before / DAY_S - np.round(before / DAY_S)) * DAY_S <= 2 * usual + 1
    out[known[places[alone & ~whole_days]]] = True
    return out
