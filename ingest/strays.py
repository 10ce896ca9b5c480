"""Stamps that cannot be of this sortie: outside the calendar of recorders, or days from the rest of their file.

One wrong stamp would stretch a sortie over decades, and everything that walks along its time with
it. A file that runs over more than a week is cut where nothing was recorded for half a day: each
piece is a session of its own, and single stray rows are left out and named.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding
from .lines import name_lines
from .raw import RawTime, RawTrack

Flags = NDArray[np.bool_]

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
EARLIEST_S = -366 * 86400.0  # clocks without a battery begin in 1970 or 1980; a zone moves them a little before
LATEST_S = dt.datetime(2100, 1, 1, tzinfo=dt.UTC).timestamp()
LONGEST_S = 7 * 86400.0  # no sortie is longer
BREAK_S = 12 * 3600.0
LEAST_ROWS = 10  # fewer, days from all the others, are stray
MOST_PIECES = 20


def in_calendar(time: RawTime) -> Flags:
    """True where a stamp lies in the years 1969 to 2099, or a count is no longer than that; shape (n,)."""
    civil = time.seconds
    if time.basis == "elapsed" and time.start is not None:
        civil = civil + (time.start.replace(tzinfo=dt.UTC) - EPOCH).total_seconds()
    return np.asarray((civil >= EARLIEST_S) & (civil < LATEST_S) | np.isnan(civil))


def take_rows(track: RawTrack, keep: Flags) -> RawTrack:
    """The rows of a track where `keep` is True."""
    return dataclasses.replace(
        track,
        time=take_times(track.time, keep),
        row=track.row[keep],
        columns=tuple(dataclasses.replace(c, values=c.values[keep]) for c in track.columns),
    )


def take_times(time: RawTime, keep: Flags) -> RawTime:
    """The stamps where `keep` is True."""
    return dataclasses.replace(time, seconds=time.seconds[keep])


def report_impossible(track: RawTrack, keep: Flags, ledger: dict[str, Any], file: str) -> list[Finding]:
    """The rows left out as a finding, and in the file's ledger."""
    rows = track.row[~keep].tolist()
    if not rows:
        return []
    room = max(0, 1000 - len(ledger["dropped_lines"]))
    ledger["dropped_lines"] = [*ledger["dropped_lines"], *([row, "a year no recorder has", ""] for row in rows[:room])]
    ledger["rows_dropped"] += len(rows)
    ledger["rows_out"] -= len(rows)
    text = f"{file}: stamps outside the years 1970 to 2099; the rows were left out"
    return [Finding("BAD_STAMP", text, "doubt", f"{file} {name_lines(rows)}", len(rows))]


def find_pieces(utc_s: NDArray[np.float64]) -> list[Flags]:
    """Masks, shape (n,), of the sessions in a table's times; rows in none of them are stray.

    utc_s: seconds, shape (n,), NaN where unknown. One mask when all of it lies within a week. No
    mask when it runs on for longer without a break: such a count is no clock.
    """
    known = np.flatnonzero(np.isfinite(utc_s))
    if not len(known) or float(np.ptp(utc_s[known])) <= LONGEST_S:
        return [np.isfinite(utc_s)]
    order = known[np.argsort(utc_s[known], kind="stable")]
    pieces = np.split(order, np.flatnonzero(np.diff(utc_s[order]) > BREAK_S) + 1)
    pieces = sorted(pieces, key=len, reverse=True)[:MOST_PIECES]
    kept = [p for k, p in enumerate(pieces) if k == 0 or len(p) >= LEAST_ROWS]
    return [_mask(p, len(utc_s)) for p in kept if float(np.ptp(utc_s[p])) <= LONGEST_S]


def report_strays(utc_s: NDArray[np.float64], row: NDArray[np.int64], pieces: list[Flags], file: str) -> list[Finding]:
    """What `find_pieces` did to a table, as findings."""
    left_out = np.isfinite(utc_s)
    for piece in pieces:
        left_out = left_out & ~piece
    out = []
    lines = row[left_out].tolist()
    if not pieces:
        text = f"{file}: its stamps run over more than {LONGEST_S / 86400:g} days without a break; it was left out"
        facts = {"question": f"what does the time column of {file} count?"}
        return [Finding("STRAY_STAMP", text, "fault", file, len(lines), facts=facts)]
    if lines:
        text = f"{file}: stamps days away from the rest of the file; the rows were left out"
        out.append(Finding("STRAY_STAMP", text, "doubt", f"{file} {name_lines(lines)}", len(lines)))
    if len(pieces) > 1:
        text = f"{file}: {len(pieces)} sessions days apart; each is kept by itself"
        out.append(Finding("SESSION_RESTART", text, "doubt", file, len(pieces)))
    return out


def _mask(places: NDArray[np.intp], length: int) -> Flags:
    out = np.zeros(length, dtype=bool)
    out[places] = True
    return out
