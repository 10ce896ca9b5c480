"""Tables that stand one below the other in one file, each with columns of its own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .headers import Heading
from .newheaders import Section
from .parts import Part, Rows, take, take_cells
from .timecolumns import find_time
from .values import Values


def find_sections(
    values: Values, headings: Sequence[Heading], line: Rows, *, sections: Sequence[Section], time: Sequence[int]
) -> list[Part]:
    """One table for each section where no two share a column beside the time; empty for any other file.

    Sections that share columns are one recorder whose layout changed in flight.
    """
    for k, (_, places) in enumerate(sections):
        if any(set(places) & set(other) - set(time) for _, other in sections[:k]):
            return []
    parts = [_part(values, headings, line, section) for section in sections]
    return [part for part in parts if part is not None] if all(parts) else []


def _part(values: Values, headings: Sequence[Heading], line: Rows, section: Section) -> Part | None:
    lines, places = section
    rows = np.flatnonzero(np.isin(line, lines))
    columns = [take(values.columns[i], rows) for i in places]
    names = [headings[i] for i in places]
    found = find_time(columns, names)
    if found is None or len(rows) == 0:
        return None
    cells = [take_cells(values.cells[i], rows) for i in places]
    return Part(Values(columns, cells), names, found, line[rows])
