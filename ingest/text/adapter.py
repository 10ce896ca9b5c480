"""The adapter for delimited text: any table of samples written as rows of text."""

from __future__ import annotations

from collections.abc import Sequence

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..raw import Claim, LogFile, RawFile, RawTrack
from .channel_list import name_channels
from .claims import judge
from .encoding import clean
from .headerlines import join_header
from .headers import fingerprint, read_headings
from .layout import Layout, layout_of
from .mapped import Text, lines_of, map_plain
from .notes import Notes, lines_text
from .pieces import Whole, read_pieces, tracks_of
from .preamble import Facts, read_preamble
from .recoding import map_recoded
from .table import head_lines, read_table
from .timecolumns import require_time
from .values import read_values
from .widths import check_width

MOST_COLUMNS = 20_000  # a line of a hundred thousand separators is damage; each column costs time, even an empty one


class DelimitedText:
    """Rows of text, one sample per line, fields separated by a comma, semicolon, tab, bar or blanks."""

    name = "delimited text"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes for text whose first 4 KiB show a consistent table of samples."""
        return judge(file)

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """The file as written. Raises ParseError (no table of text) or ClockError (no time in it)."""
        return self.read_beside(file, profile, ())

    def read_beside(self, file: LogFile, profile: InstrumentProfile | None, said: Sequence[str]) -> RawFile:
        """As `read`; said: lines from elsewhere that may state a date, a start or a zone."""
        notes = Notes(file.name)
        data: Text | None = map_plain(file.path, file.size, notes)
        if data is None:
            data = map_recoded(file.path, file.size, notes)
        if data is None:
            data = clean(file.content, notes)
        data = join_header(data)
        lines = head_lines(data)
        layout = layout_of(lines)
        if layout is None:
            raise ParseError("the file holds no table of rows", where=file.name, do="check what wrote the file")
        if layout.fields > MOST_COLUMNS:
            raise ParseError("too many columns", where=file.name, found=str(layout.fields), allowed=str(MOST_COLUMNS))
        facts = _read_head(lines, layout, said=said, profile=profile, notes=notes)
        tracks: tuple[RawTrack, ...] = ()
        if layout.first_row is None:
            _report_no_rows(layout, notes)
        else:
            tracks = _read_rows(data, lines, layout=layout, facts=facts, profile=profile, notes=notes)
        ledger = notes.ledger(sum(len(track.row) for track in tracks))
        return RawFile(file, self.name, self.version, tracks, ledger, tuple(notes.findings), metadata=facts.metadata)


def _read_head(
    lines: list[str], layout: Layout, *, said: Sequence[str], profile: InstrumentProfile | None, notes: Notes
) -> Facts:
    """Account for the lines above the first row; the facts of those before the table."""
    notes.decide("delimiter", "blanks" if layout.delimiter == " " else layout.delimiter, layout.because)
    for key, line, what in (("header", layout.header_line, "names"), ("units", layout.units_line, "units")):
        if line is not None:
            notes.not_rows[key] += 1
            notes.decide(f"{key}_line", line + 1, f"line {line + 1} holds the {what}")
    notes.not_rows["preamble"] += len(layout.preamble)
    notes.not_rows["blank"] += len(layout.blank)
    filled = [i for i in layout.preamble if lines[i].strip()]
    if filled:
        notes.find(
            "PREAMBLE_SKIPPED",
            f"{len(layout.preamble)} lines before the table were kept as metadata",
            where=lines_text(i + 1 for i in layout.preamble),
            count=len(layout.preamble),
        )
    if layout.header_line is not None and lines[layout.header_line].count('"') % 2:
        text = "a quote that is never closed was read as an ordinary character"
        notes.find("UNBALANCED_QUOTE", text, where=f"line {layout.header_line + 1}")
    if layout.units_line is not None:
        side = "under" if layout.units_line > (layout.header_line or 0) else "above"
        notes.find("UNITS_ROW_FOUND", f"a row of units stands {side} the header", where=f"line {layout.units_line + 1}")
    order = profile.date_order if profile else None
    return read_preamble([*(lines[i] for i in filled), *said], layout.delimiter, date_order=order)


def _report_no_rows(layout: Layout, notes: Notes) -> None:
    notes.find("NO_DATA_ROWS", f"the file has a header of {len(layout.names)} names and no rows", where=notes.file)
    notes.not_rows["blank"] += notes.lines - notes.rows_dropped - sum(notes.not_rows.values())


def _read_rows(
    data: Text, lines: list[str], *, layout: Layout, facts: Facts, profile: InstrumentProfile | None, notes: Notes
) -> tuple[RawTrack, ...]:
    """The tracks of a file that has rows."""
    table, expected = read_table(data, lines, layout, notes)
    named = check_width(layout, expected, table=table, profile=profile, notes=notes)
    headings = read_headings(name_channels(named, lines, notes), table.fields, notes, table.more_names)
    values = read_values(table, headings, layout.delimiter, notes, profile)
    found = require_time(values.columns, headings, "the file holds no time", where=notes.file)
    # of the layout as the file shows it: names the user stated later must not change the recorder's fingerprint
    mark = fingerprint(layout, expected.fields, lines)
    whole = Whole(values, table.columns, headings, found, table.line, table.sections)
    pieces, gone = read_pieces(whole, facts, profile, notes)
    for line, text in lines_of(data, gone) if len(gone) else ():
        notes.drop(line, "the time stamp cannot be read", text)
    columns = [column for piece in pieces for column in piece.columns]
    units = {column.header: column.unit for column in columns if column.unit is not None}
    notes.decide("units", units, "as written in the header or the units row, or as the user stated")
    return tracks_of(pieces, mark, texts=table.texts, delimiter=layout.delimiter, notes=notes)
