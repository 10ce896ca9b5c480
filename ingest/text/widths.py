"""Header and rows of different width, and tables without a header: said, never guessed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa

from ...shared.settings import InstrumentProfile
from .layout import Layout
from .lines import Expected
from .notes import Notes
from .table import Table


def check_width(
    layout: Layout, expected: Expected, *, table: Table, profile: InstrumentProfile | None, notes: Notes
) -> Layout:
    """The layout with names that fit the rows: the header's, else those the user stated, else none and a question."""
    names = layout.names[: expected.fields] if expected.trailing else layout.names
    if len(names) == expected.fields + 1 and not names[-1]:
        names = names[:-1]
    if names and len(names) == expected.fields:
        return replace(layout, names=names, units=layout.units[: expected.fields])
    stated = profile.columns if profile is not None else ()
    if len(stated) == expected.fields:
        notes.decide("columns", list(stated), "stated by the user")
        return replace(layout, names=tuple(stated), units=())
    if names:
        _report_mismatch(names, layout, expected.fields, table=table, notes=notes)
    else:
        _report_no_header(layout, expected.fields, notes)
    return replace(layout, names=(), units=())


def _report_no_header(layout: Layout, fields: int, notes: Notes) -> None:
    notes.find(
        "CHANNEL_UNNAMED",
        f"the table has no header: its {fields} columns have no names",
        level="fault",
        where=f"line {(layout.first_row or 0) + 1}",
        count=fields,
        fields=fields,
        question="the name of each column of this recorder",
    )


def _report_mismatch(names: tuple[str, ...], layout: Layout, fields: int, *, table: Table, notes: Notes) -> None:
    header, first = (layout.header_line or 0) + 1, (layout.first_row or 0) + 1
    candidates = _candidates(table, fields)
    offer = f"; perhaps {candidates[0]['text']}" if candidates else ""
    notes.find(
        "HEADER_ROW_WIDTH_MISMATCH",
        f"the header in line {header} has {len(names)} names and the rows from line {first} on have {fields} "
        f"fields; which name is missing and where{offer}",
        level="fault",
        where=f"line {header}",
        names=list(names),
        fields=fields,
        candidates=candidates,
        question="the names of the columns in the order of the rows",
    )


def _candidates(table: Table, fields: int) -> list[dict[str, object]]:
    """Columns that do not change, with what their value looks like: the likeliest to be the one without a name."""
    out: list[dict[str, object]] = []
    for i in range(min(fields, len(table.columns))):
        column = table.columns[i]
        if isinstance(column, np.ndarray):
            values = column[np.isfinite(column)]
            if not len(values) or np.ptp(values) > 0:
                continue
            value = f"{values[0]:g}"
            looks = _looks(float(values[0]))
        else:
            distinct = pa.compute.unique(column.drop_null())
            if len(distinct) != 1:
                continue
            value, looks = distinct[0].as_py(), ""
        out.append({"field": i + 1, "text": f"unnamed column {i + 1}, constant {value}{looks}"})
    return out


def _looks(value: float) -> str:
    if 940 <= value <= 1060 or 27.8 <= value <= 31.3:
        return ", looks like a pressure setting"
    return ""
