"""From the columns of one table to its time and channels: one piece, or one for each table inside it (see parts)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ...shared.settings import InstrumentProfile
from ..raw import RawColumn, RawTrack
from .axis import Axis, Context
from .headers import Heading
from .newheaders import Section
from .notes import Notes
from .offsets import find_offsets
from .paired import find_pairs
from .parts import Part, Rows
from .preamble import Facts
from .sessions import split_sessions
from .stacked import find_sections
from .tall import find_tall
from .timeaxis import read_time
from .timecolumns import Column, TimeColumns
from .values import Values, raw_columns, report_values

_PAIRS = "every group of columns has its own time column in front of it"
_STACKED = "tables of other columns stand one below the other"
_TALL = "one value a row with its channel's name; channels of the same times together"


@dataclass(frozen=True, eq=False)
class Piece:
    """Time, channels and lines, (n,), of the rows kept."""

    axis: Axis
    columns: tuple[RawColumn, ...]
    line: Rows


@dataclass(frozen=True, eq=False)
class Whole:
    """A table as values: its columns, also as written, what they are called, where its time is, the line of every row."""

    values: Values
    written: Sequence[Column]
    headings: Sequence[Heading]
    found: TimeColumns
    line: Rows
    sections: Sequence[Section] = ()


def read_pieces(
    whole: Whole,
    facts: Facts,
    profile: InstrumentProfile | None,
    notes: Notes,
    check: Callable[[Axis, Rows, Notes], Axis] | None = None,
) -> tuple[list[Piece], Rows]:
    """All pieces of a table, and the lines that are in none because their time cannot be read.

    check: what else the format asks of a time axis. Raises ClockError when a piece has no readable time.
    """
    parts = _find_parts(whole, notes)
    pieces: list[Piece] = []
    kept: list[Rows] = []
    for part in parts:
        offsets = find_offsets(part.values.columns, part.headings)
        seconds = offsets[1] if offsets else None
        decimals = part.values.decimals
        context = Context(notes.file, part.headings, part.line, facts, profile, notes, decimals, seconds)
        axis = read_time(part.found, part.values.columns, context)
        axis = check(axis, part.line, notes) if check else axis
        used = (*part.found.positions, offsets[0]) if offsets else part.found.positions
        columns, sentinels = raw_columns(part.values, part.headings, without=used, keep=axis.keep, profile=profile)
        report_values(part.values, sentinels, headings=part.headings, line=part.line, notes=notes)
        pieces.append(Piece(axis, columns, part.line[axis.keep]))
        kept += [rows[axis.keep] for rows in (part.line, *part.beside)]
    if len(kept) == 1:
        return pieces, whole.line[~pieces[0].axis.keep]
    lines = np.unique(np.concatenate(kept))
    notes.rows_beside += len(lines) - sum(len(piece.line) for piece in pieces)
    return pieces, np.setdiff1d(whole.line, lines)


def tracks_of(
    pieces: Sequence[Piece], mark: str, *, texts: Sequence[tuple[int, str]], delimiter: str, notes: Notes
) -> tuple[RawTrack, ...]:
    """The tracks of the pieces, a recorder's sessions apart; mark: their fingerprint, texts and delimiter: see sessions."""
    tracks: list[RawTrack] = []
    for piece in pieces:
        track = RawTrack(piece.axis.time, piece.columns, piece.line, None, mark)
        tracks += split_sessions(track, piece.axis, texts=texts, delimiter=delimiter, notes=notes)
    return tuple(tracks)


def _find_parts(whole: Whole, notes: Notes) -> Sequence[Part]:
    pairs = find_pairs(whole.values, whole.headings, whole.line)
    if pairs:
        notes.decide("tables", len(pairs), _PAIRS)
        return pairs
    stacked = find_sections(
        whole.values, whole.headings, whole.line, sections=whole.sections, time=whole.found.positions
    )
    if stacked:
        notes.decide("tables", len(stacked), _STACKED)
        return stacked
    tall = find_tall(whole.values, whole.written, whole.headings, found=whole.found, line=whole.line)
    if tall:
        notes.decide("tables", len(tall), _TALL)
        return tall
    return [Part(whole.values, whole.headings, whole.found, whole.line)]
