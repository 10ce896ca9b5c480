"""The channels of a receiver's epochs, as written: headers like 'GGA.9', units as in the standard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ..lines import name_lines
from ..raw import RawColumn
from .epochs import Epochs, Timed
from .fields import decimals, degrees, numbers, signed, text_at
from .sentences import Sentences

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]


@dataclass(eq=False)
class Reading:
    """The used sentences of a file, their fields, and the row each belongs to.

    rows[name]: row of every sentence of a type, -1 where it has none. stated_valid[name]: whether
    the sentence itself says it holds a fix. line: line of each row's first sentence.
    """

    indices: dict[str, Integers]
    fields: dict[str, list[list[bytes]]]
    sentences: Sentences
    timed: Timed
    epochs: Epochs
    rows: dict[str, Integers] = field(init=False)
    stated_valid: dict[str, Booleans] = field(init=False)
    line: Integers = field(init=False)
    fixed: Booleans = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.epochs.seconds)
        self.rows = {name: self._rows_of(name) for name in self.indices}
        self.stated_valid = {name: self._validity(name) for name in ("RMC", "GGA", "VTG")}
        self.line = np.zeros(count, dtype=np.int64)
        lines = self.sentences.line[self.timed.sentence]
        with_row = np.flatnonzero(self.epochs.row_of >= 0)[::-1]  # reversed: the first sentence's line stays
        self.line[self.epochs.row_of[with_row]] = lines[with_row]
        self.fixed = np.isfinite(self.spread("RMC", self._latitude("RMC", 3)))
        self.fixed |= np.isfinite(self.spread("GGA", self._latitude("GGA", 2)))

    def _rows_of(self, name: str) -> Integers:
        """Rows by the stamp; sentences without one belong to the stamp before them in the file."""
        position = np.searchsorted(self.timed.sentence, self.indices[name], side="right") - 1
        rows: Integers = np.where(position >= 0, self.epochs.row_of[np.maximum(position, 0)], -1)
        if name in ("RMC", "GGA", "ZDA"):
            return rows
        # a second one under one stamp belongs to an epoch whose stamped sentences were lost
        first = np.unique(rows, return_index=True)[1]
        keep = np.zeros(len(rows), dtype=bool)
        keep[first] = True
        return np.where(keep, rows, -1)

    def _validity(self, name: str) -> Booleans:
        rows = self.fields[name]
        if name == "GGA":
            return np.array([quality not in (b"", b"0") for quality in text_at(rows, 6)], dtype=bool)
        # mode N (not valid) came with version 2.3; older sentences end before it
        if name == "VTG":
            return np.array([mode != b"N" for mode in text_at(rows, 9)], dtype=bool)
        pairs = zip(text_at(rows, 2), text_at(rows, 12), strict=True)
        return np.array([status == b"A" and mode != b"N" for status, mode in pairs], dtype=bool)

    def _latitude(self, name: str, position: int) -> Floats:
        return self.coordinate(name, position, limit=90.0, letters=b"NS")

    def coordinate(self, name: str, position: int, *, limit: float, letters: bytes) -> Floats:
        """Latitude or longitude in degrees of every sentence of a type, NaN where it holds no fix."""
        texts, marks = text_at(self.fields[name], position), text_at(self.fields[name], position + 1)
        values = signed(degrees(numbers(texts), limit), marks, letters)
        return np.where(self.stated_valid[name], values, np.nan)

    def spread(self, name: str, values: Floats) -> Floats:
        """Values of a type's sentences on the rows; the last number of a row wins, NaN where none."""
        out = np.full(len(self.epochs.seconds), np.nan)
        rows = self.rows[name]
        keep = (rows >= 0) & np.isfinite(values)
        out[rows[keep]] = values[keep]
        return out

    def number(self, name: str, position: int, *, needs_fix: bool) -> tuple[Floats, float]:
        """(values on the rows, resolution as written) of a number field."""
        texts = text_at(self.fields[name], position)
        values = numbers(texts)
        if needs_fix and name in self.stated_valid:
            values = np.where(self.stated_valid[name], values, np.nan)
        return self.spread(name, values), 10.0 ** -decimals(texts)


def read_columns(reading: Reading) -> tuple[tuple[RawColumn, ...], list[Finding]]:
    """All columns that hold at least one sample or whose sentence type is present, and VOID_FIX."""
    columns = [*_positions(reading), *_velocities(reading), *_fix_data(reading), *_raw_dilutions(reading)]
    numbered = tuple(
        RawColumn(c.header, c.values, c.unit, c.channel, c.step, position) for position, c in enumerate(columns)
    )
    return numbered, [*_void_finding(reading), *_unit_finding(reading)]


def _void_finding(reading: Reading) -> list[Finding]:
    void = np.flatnonzero(~reading.fixed)
    if not len(void):
        return []
    is_void = np.zeros(len(reading.line), dtype=bool)
    is_void[void] = True
    lines: list[int] = []
    for name in ("RMC", "GGA"):
        rows = reading.rows[name]
        chosen = (rows >= 0) & is_void[np.maximum(rows, 0)]
        lines += reading.sentences.line[reading.indices[name][chosen]].tolist()
    where = name_lines(lines or reading.line[void].tolist())
    return [Finding("VOID_FIX", "rows without a valid fix keep their time, not a position", "note", where, len(void))]


def _positions(reading: Reading) -> Iterator[RawColumn]:
    for channel, limit, letters, places in (
        ("latitude", 90.0, b"NS", (("RMC", 3), ("GGA", 2))),
        ("longitude", 180.0, b"EW", (("RMC", 5), ("GGA", 4))),
    ):
        present = [(name, position) for name, position in places if reading.fields[name]]
        parts = [
            reading.spread(name, reading.coordinate(name, position, limit=limit, letters=letters))
            for name, position in present
        ]
        digits = max((decimals(text_at(reading.fields[name], position)) for name, position in present), default=0)
        if parts:
            values = parts[0] if len(parts) == 1 else np.where(np.isfinite(parts[0]), parts[0], parts[1])
            header = "+".join(f"{name}.{position}" for name, position in present)
            yield RawColumn(header, values, "deg", channel, 10.0**-digits / 60.0)


def _velocities(reading: Reading) -> Iterator[RawColumn]:
    for channel, unit, places in (
        ("ground_speed", "kt", (("RMC", 7), ("VTG", 5))),
        ("track_true", "deg", (("RMC", 8), ("VTG", 1))),
    ):
        parts = [
            (f"{name}.{position}", *reading.number(name, position, needs_fix=True))
            for name, position in places
            if reading.fields[name]
        ]
        if parts:
            merged = _merged(parts, unit, channel)
            yield merged if channel != "ground_speed" else _in_kilometres(reading, merged)


def _in_kilometres(reading: Reading, knots: RawColumn) -> RawColumn:
    """The speed in km/h of VTG where no sentence gives knots."""
    if np.isfinite(knots.values).any() or not reading.fields["VTG"]:
        return knots
    values, step = reading.number("VTG", 7, needs_fix=True)
    return RawColumn("VTG.7", values, "km/h", "ground_speed", step) if np.isfinite(values).any() else knots


def _merged(parts: list[tuple[str, Floats, float]], unit: str, channel: str) -> RawColumn:
    """The first source that holds anything, its holes filled from the next."""
    filled = [part for part in parts if np.isfinite(part[1]).any()] or parts[:1]
    header, values, step = filled[0]
    for other, more, other_step in filled[1:]:
        holes = ~np.isfinite(values) & np.isfinite(more)
        if holes.any():
            values, header, step = np.where(holes, more, values), f"{header}+{other}", max(step, other_step)
    return RawColumn(header, values, unit, channel, step)


def _fix_data(reading: Reading) -> Iterator[RawColumn]:
    if reading.fields["GGA"]:
        for position, channel, needs_fix in (
            (9, "gnss_altitude", True),
            (11, "geoid_height", True),
            (6, "fix_quality", False),
            (7, "satellites", False),
            (8, "horizontal_dilution", True),
        ):
            values, step = reading.number("GGA", position, needs_fix=needs_fix)
            if channel in ("gnss_altitude", "geoid_height"):
                strange = reading.spread("GGA", np.where(_in_metres(reading, position + 1), np.nan, 1.0))
                yield RawColumn(f"GGA.{position}", np.where(strange == 1.0, np.nan, values), "m", channel, step)
            else:
                yield RawColumn(f"GGA.{position}", values, "1", channel, step)
    elif reading.fields["GSA"]:
        values, step = reading.number("GSA", 16, needs_fix=False)
        yield RawColumn("GSA.16", values, "1", "horizontal_dilution", step)
    texts = text_at(reading.fields["RMC"], 10)
    if any(texts):
        values = signed(numbers(texts), text_at(reading.fields["RMC"], 11), b"EW")
        step = 10.0 ** -decimals(texts)
        yield RawColumn("RMC.10", reading.spread("RMC", values), "deg", "magnetic_variation", step)


def _in_metres(reading: Reading, position: int) -> Booleans:
    """Whether the unit field beside a length says M, or nothing; the standard knows no other unit there."""
    return np.array([text in (b"", b"M", b"m") for text in text_at(reading.fields["GGA"], position)], dtype=bool)


def _unit_finding(reading: Reading) -> list[Finding]:
    """Lengths whose unit field is not M: missing values, and said so."""
    if not reading.fields["GGA"]:
        return []
    lines = reading.sentences.line[reading.indices["GGA"][~(_in_metres(reading, 10) & _in_metres(reading, 12))]]
    if not len(lines):
        return []
    text = "lengths whose unit is not M, the only one of the standard, became missing values"
    return [Finding("UNIT_UNKNOWN", text, "doubt", name_lines(lines.tolist()), len(lines))]


def _raw_dilutions(reading: Reading) -> Iterator[RawColumn]:
    if not reading.fields["GSA"]:
        return
    for position in (2, 15, 17):
        values, step = reading.number("GSA", position, needs_fix=False)
        yield RawColumn(f"GSA.{position}", values, "1", None, step)
