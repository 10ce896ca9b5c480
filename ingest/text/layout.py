"""How a delimited file is laid out: delimiter, lines before the table, header, units row, first row.

Decided from the first lines; every line of the file is checked against it afterwards.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from ...shared.units import find_unit
from .tokens import is_comment, is_data_like, kind_of, split_line

DELIMITERS = (",", ";", "\t", "|")
SAMPLE_LINES = 400
ENOUGH_ROWS = 30  # rows one after the other after which nothing new is expected
_TIME_FORMAT = re.compile(r"(?i)^(?=.*(hh|mm|ss|yy|dd))[ymdhsftz:/.\-, ]+$")
_ZONE_WORD = re.compile(r"(?i)^(utc|gmt|z|zulu|local|lt|lcl|gps|utc[+-]\d{1,2}(:?\d{2})?)$")


@dataclass(frozen=True)
class Layout:
    """Where things stand in the file; line numbers count from 0, `fields` is the rows' field count.

    `names` and `units` hold one entry per header field as written; both are empty without a header.
    """

    delimiter: str
    fields: int
    first_row: int | None
    header_line: int | None = None
    units_line: int | None = None
    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    preamble: tuple[int, ...] = ()
    blank: tuple[int, ...] = ()
    because: str = ""
    rows: tuple[tuple[str, ...], ...] = field(default=(), repr=False)


def find_layout(text: str, *, whole: bool) -> Layout | None:
    """The layout the first lines show, or None when they hold no table.

    `whole`: the text is the whole file; otherwise its last, possibly cut, line is left out.
    """
    lines = text.split("\n")
    if not whole and len(lines) > 1:
        lines.pop()
    return layout_of(lines)


def layout_of(lines: list[str]) -> Layout | None:
    """The layout whole lines show, or None when they hold no table."""
    lines = lines[:SAMPLE_LINES]
    found = [layout for d in DELIMITERS if (layout := _try(lines, d)) is not None]
    best = max(found, key=lambda pair: pair[0], default=None)
    if best is None or best[0] < 1.0:
        blanks = _try(lines, " ")
        if blanks is not None and (best is None or blanks[0] > 2 * best[0]):
            best = blanks
    return best[1] if best else None


def _try(lines: list[str], delimiter: str) -> tuple[float, Layout] | None:
    """How well the lines split by this delimiter (fields well formed per row), and the layout it gives."""
    if not any(delimiter in line for line in lines):
        return None
    split: list[list[str]] = []
    data: list[bool] = []
    for line in lines:
        split.append(split_line(line, delimiter))
        data.append(bool(line.strip()) and not is_comment(line) and is_data_like(split[-1]))
        if len(data) > ENOUGH_ROWS and all(data[-ENOUGH_ROWS:]):
            break
    lines = lines[: len(split)]
    run = _longest_run(split, data, delimiter)
    if run is None:
        return _header_only(lines, split, delimiter)
    start, stop, fields = run
    first = _walk_back(split, data, lines, start)
    rows = [f for f, d in zip(split[first:], data[first:], strict=True) if d]
    quality = _quality(rows, delimiter)
    layout = _with_header(lines, split, first, fields, delimiter, tuple(tuple(r) for r in rows))
    if len(layout.names) == len(split[first]) != fields:  # the block began later, under a wider or narrower layout
        layout = replace(layout, fields=len(split[first]))
    if layout.names and len(layout.names) > fields and delimiter == " ":
        quality *= 0.5
    share = (stop - start) / max(1, sum(bool(line.strip()) for line in lines[start:]))
    return quality**2 * fields * share, layout


def _longest_run(split: list[list[str]], data: list[bool], delimiter: str) -> tuple[int, int, int] | None:
    """(start, stop, field count) of the largest block of rows with one field count; odd lines in between allowed."""
    best: tuple[int, int, int] | None = None
    best_size, i = 0.0, 0
    while i < len(split):
        if not data[i]:
            i += 1
            continue
        count, start, last, seen = len(split[i]), i, i, 1
        kind = kind_of(split[i][0])
        j = i + 1
        while j < len(split) and j - last <= 3:
            if data[j] and len(split[j]) == count and _alike(kind, kind_of(split[j][0])):
                last, seen = j, seen + 1
            j += 1
        size = seen * count * (0.1 if kind == "word" and count == 2 else 1.0)  # names and values: lines before a table
        if size > best_size and count >= 2:
            best, best_size = (start, last + 1, count), size
        i = max(last + 1, i + 1)
    return best


def _alike(kind: str, other: str) -> bool:
    return kind == other or "blank" in (kind, other)


def _walk_back(split: list[list[str]], data: list[bool], lines: list[str], start: int) -> int:
    """First row of the table: rows before the block belong to it while their first fields look the same."""
    kind = kind_of(split[start][0])
    first, i = start, start - 1
    while i >= 0:
        if data[i] and _alike(kind, kind_of(split[i][0])) and len(split[i]) >= 2:
            first = i
        elif lines[i].strip() and not is_comment(lines[i]):
            break
        i -= 1
    return first


def _quality(rows: list[list[str]], delimiter: str) -> float:
    """Share of fields that are well formed: numbers, stamps, blanks, marks, or words without another delimiter."""
    good = total = 0
    others = [d for d in DELIMITERS if d != delimiter]
    for row in rows[:50]:
        for token in row:
            total += 1
            kind = kind_of(token)
            good += kind != "word" or not any(other in token for other in others)
    return good / total if total else 0.0


def _with_header(
    lines: list[str],
    split: list[list[str]],
    first: int,
    fields: int,
    delimiter: str,
    rows: tuple[tuple[str, ...], ...],
) -> Layout:
    above = [i for i in range(first - 1, -1, -1) if lines[i].strip()]
    header = units = None
    if above:
        one = _fields_of(lines[above[0]], split[above[0]], delimiter, fields)
        two = _fields_of(lines[above[1]], split[above[1]], delimiter, fields) if len(above) > 1 else None
        if one and two and _is_units_row(one, two) and _is_header(two, fields):
            units, header = above[0], above[1]
        elif one and _is_header(one, fields):
            header = above[0]
            units = above[1] if two and len(two) == len(one) and _is_units_row(two, one) else None
    names = _fields_of(lines[header], split[header], delimiter, fields) if header is not None else []
    cells = _fields_of(lines[units], split[units], delimiter, fields) if units is not None else []
    blank = tuple(i for i in range(first) if not lines[i].strip())
    special = {header, units}
    stop = min(i for i in (header, units, first) if i is not None)
    preamble = tuple(i for i in range(first) if i not in special and (i < stop or lines[i].strip()))
    return Layout(
        delimiter,
        fields,
        first,
        header,
        units,
        _with_groups([_name(n) for n in names or ()], header, split, above),
        tuple(c.strip() for c in cells or ()),
        preamble,
        tuple(i for i in blank if i not in preamble),
        f"{len(rows)} of the first rows have {fields} well-formed fields",
        rows,
    )


def _fields_of(line: str, fields: list[str], delimiter: str, expected: int) -> list[str] | None:
    """Fields of a header or units line; a comment mark before a header of the right width is taken off."""
    if not is_comment(line):
        return fields
    bare = split_line(line.lstrip().lstrip("#%/").strip(), delimiter)
    numbered = len(fields) == expected and fields[0].strip() in ("#", "%", "//")  # the name of a column of row numbers
    return bare if len(bare) == expected else fields if numbered else None


def _with_groups(names: list[str], header: int | None, split: list[list[str]], above: list[int]) -> tuple[str, ...]:
    """The names; those that come several times with their group's in front, where a line above them names groups."""
    over = header - 1 if header else None
    groups_line = split[over] if over in above and over is not None else []
    if len(groups_line) > len(names) or is_data_like(groups_line) or not _are_groups(groups_line, names):
        return tuple(names)
    groups: list[str] = []
    for cell in groups_line + [""] * (len(names) - len(groups_line)):
        groups.append(_name(cell) or (groups[-1] if groups else ""))
    return tuple(
        f"{group} {name}".strip() if names.count(name) > 1 else name for group, name in zip(groups, names, strict=True)
    )


def _are_groups(cells: list[str], names: list[str]) -> bool:
    """True for a line as wide as the names with at least two cells filled and others blank: groups span columns."""
    filled = sum(bool(cell.strip()) for cell in cells)
    return 2 <= filled < len(names) and len(cells) >= len(names) - 1


def _name(text: str) -> str:
    """A column's name without blanks and without a quote that was never closed."""
    bare = text.strip()
    if len(bare) > 1 and bare[0] == bare[-1] == '"':  # blanks before the quotes keep them from being read as such
        bare = bare[1:-1].strip()
    return bare.strip('"').strip() if bare.count('"') % 2 else bare


def _is_header(names: list[str], fields: int) -> bool:
    """True for a line of names about as wide as the rows."""
    if len(names) < 2 or is_data_like(names):
        return False
    filled = sum(bool(name.strip()) for name in names)
    return filled >= 2 and abs(len(names) - fields) <= max(2, fields // 2)


def _is_units_row(cells: list[str], names: list[str]) -> bool:
    """True when most filled cells are units (or time formats, zone words) and more of them than of the names above."""
    if abs(len(cells) - len(names)) > 1 or is_data_like(cells):
        return False
    filled = [c.strip() for c in cells if c.strip()]
    nameless = sum(bool(c.strip()) and not n.strip() for c, n in zip(cells, names, strict=False))
    if not filled or nameless > len(filled) // 4:  # then the line of names is one of groups: 'Air', 'Engine'
        return False
    share = sum(is_unit_word(c) for c in filled) / len(filled)
    above = [n.strip() for n in names if n.strip()]
    above_share = sum(is_unit_word(n) for n in above) / max(1, len(above))
    return share >= 0.5 and share > above_share


def is_unit_word(cell: str) -> bool:
    """True for a unit spelling, a time format such as 'hh:mm:ss', or a zone word."""
    bare = cell.strip().strip("[]()").strip()
    return not bare or find_unit(bare) is not None or bool(_TIME_FORMAT.match(bare) or _ZONE_WORD.match(bare))


def _header_only(lines: list[str], split: list[list[str]], delimiter: str) -> tuple[float, Layout] | None:
    """A header without rows: the last line of words with at least three short fields."""
    filled = [i for i, line in enumerate(lines) if line.strip()]
    if not filled or delimiter == " ":
        return None
    last = filled[-1]
    units: int | None = None
    if len(filled) > 1 and _is_units_row(split[last], split[filled[-2]]):
        units, last = last, filled[-2]
    names = [name.strip() for name in split[last]]
    if len(names) < 3 or is_comment(lines[last]) or any(len(n) > 40 for n in names) or not all(names[:-1]):
        return None
    if any(kind_of(n) in ("number", "stamp") for n in names) or any(n.endswith(".") or "{" in n for n in names):
        return None
    special = (last, units)
    preamble = tuple(i for i in filled if i not in special)
    blank = tuple(i for i in range(len(lines)) if not lines[i].strip())
    cells = tuple(c.strip() for c in split[units]) if units is not None else ()
    layout = Layout(
        delimiter, len(names), None, last, units, tuple(names), cells, preamble, blank, "a header line and no rows"
    )
    return 0.1 * len(names), layout
