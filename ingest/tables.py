"""Tables whose samples are typed already (Parquet, HDF5, JSON ...) on the same way as tables of text.

Names, units, time column, marks for 'no value', sessions and order are found by the functions of the
delimited-text reader; only the rows come from elsewhere. Rows are counted from 1 in each table.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ..shared.errors import ClockError
from ..shared.settings import InstrumentProfile
from .raw import LogFile, RawFile, RawTrack
from .text.axis import Axis
from .text.headers import Heading, read_headings
from .text.layout import Layout
from .text.notes import Notes, lines_text
from .text.numbers import clean_text
from .text.pieces import Whole, read_pieces, tracks_of
from .text.preamble import Facts, read_preamble
from .text.retold import say_rows
from .text.table import Table
from .text.timecolumns import EPOCH_HIGH, EPOCH_LOW, require_time
from .text.values import read_values

_TIMELIKE = re.compile(r"(?i)start|begin|began|record|epoch|\bt0\b|time|date|zone|\btz\b|\butc\b|sess")
_STARTLIKE = re.compile(r"(?i)start|begin|\bt_?0$|epoch|time_?zero|t_?zero")
_OF_THE_FILE = re.compile(r"(?i)creat|modif|convert|export|writ|saved|version|install|built|calib")
MOST_DECIMALS = 9
DAY_ZERO = 719_529  # MATLAB's day number of 1970-01-01: datenum(1970, 1, 1)
DAYS = (693_962, 767_011)  # its day numbers of 1900 and 2100
_EPOCH = dt.datetime(1970, 1, 1)
LARGEST = 1e100
AGES_S = 1e11


@dataclass(frozen=True, slots=True, eq=False)
class TableColumn:
    """One column: float64 (NaN missing) or arrow text (null missing), shape (n,); unit as written."""

    name: str
    values: NDArray[np.float64] | pa.Array
    unit: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TypedTable:
    """Columns of one length, and what the file says around them; rows: record number of each, from 1 on if None."""

    name: str
    columns: tuple[TableColumn, ...]
    facts: Facts = field(default_factory=Facts)
    rows: NDArray[np.int64] | None = None

    @property
    def length(self) -> int:
        """Number of rows."""
        return len(self.columns[0].values) if self.columns else 0


def facts_of(attributes: Mapping[str, str]) -> Facts:
    """Date, start and zone from named pieces of text; those about the file itself (created, converted) are not asked."""
    lines = [f"{k}: {v}" for k, v in attributes.items() if _TIMELIKE.search(k) and not _OF_THE_FILE.search(k)]
    facts = read_preamble(lines, "\0")
    facts.metadata = dict(attributes)
    for key, value in attributes.items():
        if facts.start is None and _STARTLIKE.search(key) and not _OF_THE_FILE.search(key):
            _start_from_number(key, value, facts)
    return facts


def _start_from_number(key: str, value: str, facts: Facts) -> None:
    """A start written as a count since 1970 (then it is UTC) or as MATLAB's day number (then its zone is open)."""
    try:
        number = float(value)
    except ValueError:
        return
    scale = next((scale for scale in (1.0, 1e-3, 1e-6, 1e-9) if EPOCH_LOW <= number * scale <= EPOCH_HIGH), None)
    if scale is not None:
        facts.start, facts.zone_s, facts.utc = _EPOCH + dt.timedelta(seconds=number * scale), 0.0, True
    elif DAYS[0] < number < DAYS[1] and number % 1:
        facts.start = _EPOCH + dt.timedelta(seconds=round((number - DAY_ZERO) * 86_400.0, 3))
    else:
        return
    facts.evidence = f"start in {key}: {value}"[:100]


def read_tables(
    file: LogFile, tables: Sequence[TypedTable], *, mark: str, profile: InstrumentProfile | None, notes: Notes
) -> tuple[RawTrack, ...]:
    """Tracks of all tables; what was decided and found goes to `notes`. mark: first word of the fingerprints.

    A table without time beside others with time is a finding. Raises ClockError when none has a time.
    """
    tracks: list[RawTrack] = []
    failed: list[tuple[TypedTable, ClockError]] = []
    for table in tables:
        own = Notes(file.name, lines=table.length)
        try:
            found = _read_one(table, mark, profile, own)
        except ClockError as error:
            failed.append((table, error))
            continue
        tracks += found
        _merge(own, notes, table.name if len(tables) > 1 else "")
    if failed and not tracks:
        raise failed[0][1]
    for table, reason in failed:
        notes.lines += table.length
        notes.not_rows["rows of tables without a time"] += table.length
        text = f"{table.name}: {reason.what}; its {len(table.columns)} columns were left out"
        notes.find(
            "NO_TIME_CHANNEL", text, level="doubt", where=table.name, columns=[c.name for c in table.columns[:50]]
        )
    return tuple(tracks)


def raw_file(
    file: LogFile, name: str, version: int, tracks: tuple[RawTrack, ...], notes: Notes, metadata: Mapping[str, str]
) -> RawFile:
    """The reader's answer with its ledger."""
    ledger = notes.ledger(sum(len(track.row) for track in tracks))
    return RawFile(file, name, version, tracks, ledger, tuple(notes.findings), metadata=dict(metadata))


def _read_one(table: TypedTable, mark: str, profile: InstrumentProfile | None, notes: Notes) -> tuple[RawTrack, ...]:
    if not table.length:
        notes.find("NO_DATA_ROWS", f"the table {table.name!r} has {len(table.columns)} columns and no rows")
        return ()
    layout = Layout(
        "",
        len(table.columns),
        0,
        names=tuple(_printable(c.name) for c in table.columns),
        units=tuple(_printable(c.unit or "") for c in table.columns),
    )
    headings = read_headings(layout, len(table.columns), notes)
    rows = _as_text_table(table)
    values = read_values(rows, headings, "", notes)
    found = require_time(values.columns, headings, "no time column", where=notes.file)
    if len(found.positions) == len(headings):
        what = "no channel beside the time"
        raise ClockError(what, where=notes.file, found=f"column {headings[0].header}", code="NO_TIME_CHANNEL")
    whole = Whole(values, rows.columns, headings, found, rows.line)
    pieces, gone = read_pieces(whole, table.facts, profile, notes, check=_within_ages)
    for row in gone:
        notes.drop(int(row), "the time stamp cannot be read", "")
    return tracks_of(pieces, _fingerprint(mark, headings), texts=[], delimiter="", notes=notes)


def _printable(text: str) -> str:
    """Text without the halves of characters that damaged bytes leave behind."""
    return text.encode("utf-8", "replace").decode()


def _within_ages(axis: Axis, line: NDArray[np.int64], notes: Notes) -> Axis:
    """The axis without times no recorder can have written (more than 3000 years away)."""
    good = np.abs(axis.time.seconds) <= AGES_S
    if good.all():
        return axis
    gone = line[axis.keep][~good]
    text = f"{len(gone)} rows with an impossible time were dropped"
    notes.find("BAD_STAMP", text, level="doubt", where=lines_text(gone), count=len(gone))
    if not good.any():
        raise ClockError("no time of the table is possible", where=notes.file, code="NO_TIME_CHANNEL")
    keep = axis.keep.copy()
    keep[keep] = good
    return replace(axis, time=replace(axis.time, seconds=axis.time.seconds[good]), keep=keep, leap=axis.leap[good])


def _as_text_table(table: TypedTable) -> Table:
    columns: list[NDArray[np.float64] | pa.Array] = []
    for column in table.columns:
        values = column.values
        columns.append(values if isinstance(values, np.ndarray) else clean_text(values))
    line = table.rows if table.rows is not None else np.arange(1, table.length + 1, dtype=np.int64)
    decimals = [find_decimals(c) if isinstance(c, np.ndarray) else 0 for c in columns]
    nulls = [int(np.isnan(c).sum()) if isinstance(c, np.ndarray) else int(c.null_count) for c in columns]
    return Table(columns, line, decimals, nulls)


def find_decimals(values: NDArray[np.float64]) -> int:
    """Decimal digits that hold up to 2000 samples spread over the column without loss; 9 when more are needed.

    Samples that were rounded to single precision count as held when they are the nearest such number.
    """
    some = values[:: max(1, len(values) // 2000)]
    some = some[np.isfinite(some)]
    with np.errstate(over="ignore"):
        single = some.astype(np.float32)
    as_single = bool(np.array_equal(single.astype(np.float64), some))
    for digits in range(MOST_DECIMALS):
        near = np.round(some, digits)
        if np.array_equal(near, some) or (as_single and np.array_equal(near.astype(np.float32), single)):
            return digits
    return MOST_DECIMALS


def _fingerprint(mark: str, headings: Sequence[Heading]) -> str:
    parts = sorted(f"{h.header}|{h.unit or ''}" for h in headings)
    return f"{mark}-" + hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _merge(own: Notes, notes: Notes, name: str) -> None:
    """One table's account into the file's; with several tables each finding names its own."""
    for finding in own.findings:
        notes.findings.append(say_rows(finding, name))
    prefix = f"{name}: " if name else ""
    notes.decisions |= {prefix + key: value for key, value in own.decisions.items()}
    notes.evidence |= {prefix + key: value for key, value in own.evidence.items()}
    notes.not_rows += Counter(own.not_rows)
    notes.dropped += own.dropped[: max(0, 1000 - len(notes.dropped))]
    notes.rows_dropped += own.rows_dropped
    notes.rows_repaired += own.rows_repaired
    notes.lines += own.lines
    notes.rows_beside += own.rows_beside


def as_floats(values: NDArray[Any]) -> NDArray[np.float64]:
    """Numbers or truth values as float64; infinite ones and those beyond any quantity (1e100) are missing."""
    with np.errstate(invalid="ignore", over="ignore"):  # a damaged number may be of no kind at all
        out = np.asarray(values, dtype=np.float64)
    beyond = np.abs(out) > LARGEST
    return np.where(beyond, np.nan, out) if beyond.any() else out
