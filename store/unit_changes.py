"""A recorder that came back from a reset with another unit: its channels against those of its earlier sorties.

Only extremes are compared, and only where they repeat from sortie to sortie; nothing is altered. Sorties of another
aircraft tell nothing: recorders of one kind bear one name, and a slower aircraft looks like another unit. Where nobody
names the aircraft, sorties that name none are compared, and what differs is a note that says so.
"""

from __future__ import annotations

import dataclasses
import json
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa

from ..ingest.check.confused_units import Confusion, confusions_of, find_confusion
from ..shared.findings import Finding
from ..shared.vocabulary import meaning_of
from .rows import finding_row
from .schema import TABLE

if TYPE_CHECKING:
    from .prepare import Prepared

# common practice, no source: the largest airspeed or flow of a sortie repeats within a fifth
NEAR = 0.2
GROUND_NEAR = 0.05  # the field's height repeats better, where the sorties began at one place
NEAR_K = 8.0
LEAST_SORTIES = 2
LEAST_RATIO = 1.7  # closer units (statute miles and knots) lie inside the usual spread

_EARLIER = """
SELECT s.instrument, c.channel, c.low, c.high
FROM channel c
JOIN sortie o ON o.sortie = c.sortie AND o.start_utc < ? AND o.aircraft IS NOT DISTINCT FROM ?
JOIN source s ON s.sortie = c.sortie AND list_contains(from_json(s.tracks, '["VARCHAR"]'), c.track)
WHERE c.sortie <> ? AND c.low IS NOT NULL AND c.track <> 'frame' AND s.instrument IN (SELECT unnest(?))
  AND coalesce(c.derived_from, '[]') = '[]' AND c.header IS NOT NULL
"""


@dataclass(frozen=True, slots=True)
class Extent:
    """Smallest and largest value of a channel in one sortie, SI; the unit the file states."""

    low: float
    high: float
    unit: str | None = None


def with_unit_changes(connection: duckdb.DuckDBPyConnection, prepared: Prepared) -> Prepared:
    """The prepared sortie with an UNIT_CHANGE_SUSPECTED finding for every channel that fits another unit than before."""
    mine = _extents_of(prepared)
    if not mine:
        return prepared
    earlier = _earlier(connection, prepared, sorted({instrument for instrument, _, _ in mine}))
    findings = []
    for (instrument, channel, file), extent in mine.items():
        found = suspect_unit(channel, extent, earlier.get((instrument, channel), ()))
        if found is not None:
            findings.append(_report(channel, file, found, len(earlier[instrument, channel])))
    if _aircraft_of(prepared) is None:
        findings = [_of_unnamed_aircraft(finding) for finding in findings]
    return _add(prepared, findings) if findings else prepared


def suspect_unit(channel: str, shown: Extent, usual: Sequence[Extent]) -> Confusion | None:
    """The units a channel's extremes fit that were mixed up, by its extremes in earlier sorties; None: none, or too few."""
    entry = meaning_of(channel)
    possible = confusions_of(entry.kind, shown.unit) if entry is not None else ()
    if entry is None or not possible or len(usual) < LEAST_SORTIES:
        return None
    low, high = (statistics.median(getattr(one, end) for one in usual) for end in ("low", "high"))
    if entry.kind == "temperature":
        found = find_confusion(possible, high, shown.high, NEAR_K / 100)
        also = find_confusion(possible, low, shown.low, NEAR_K / 100)
        return found if found is also else None
    found = find_confusion(possible, high, shown.high, NEAR)
    if found is None or abs(math.log(found.factor)) < math.log(LEAST_RATIO):
        return None
    if any(one.high <= 0 or abs(math.log(one.high / high)) > abs(math.log(found.factor)) / 2 for one in usual):
        return None  # this channel's largest value does not repeat
    if entry.kind == "length":  # a higher flight looks like feet for metres; the field's own height does not
        return found if find_confusion(possible, low, shown.low, GROUND_NEAR) is found else None
    return found


def _extents_of(prepared: Prepared) -> dict[tuple[str, str, str], Extent]:
    """(instrument, channel, file) -> extremes of every recorded channel of the new sortie."""
    sources = [row for row in prepared.rows["source"].to_pylist() if row["instrument"]]
    out = {}
    for row in prepared.rows["channel"].to_pylist():
        if (
            row["track"] == "frame"
            or row["low"] is None
            or row["derived_from"] not in (None, "[]")
            or not row["header"]
        ):
            continue
        for source in sources:
            if row["track"] in json.loads(source["tracks"] or "[]"):
                key = (str(source["instrument"]), str(row["channel"]), str(source["file"]))
                out[key] = Extent(row["low"], row["high"], row["unit_as_written"])
    return out


def _earlier(
    connection: duckdb.DuckDBPyConnection, prepared: Prepared, instruments: list[str]
) -> dict[tuple[str, str], list[Extent]]:
    start = prepared.rows["sortie"].column("start_utc")[0].as_py()
    out: dict[tuple[str, str], list[Extent]] = {}
    for instrument, channel, low, high in connection.execute(
        _EARLIER, [start, _aircraft_of(prepared), prepared.sortie, instruments]
    ).fetchall():
        out.setdefault((instrument, channel), []).append(Extent(low, high))
    return out


def _aircraft_of(prepared: Prepared) -> str | None:
    name: str | None = prepared.rows["sortie"].column("aircraft")[0].as_py()
    return name


def _of_unnamed_aircraft(finding: Finding) -> Finding:
    """The finding as a note: a faster or slower aircraft differs in the same way."""
    text = f"{finding.text}; none of these sorties names its aircraft, and another aircraft may look the same"
    return dataclasses.replace(finding, text=text, level="note")


def _report(channel: str, file: str, found: Confusion, sorties: int) -> Finding:
    text = (
        f"{file}: {channel} is about {found.factor:.4g} times what this recorder showed in {sorties} earlier sorties, "
        f"as with {found.words}; nothing was altered"
    )
    if meaning_of(channel).kind == "temperature":  # type: ignore[union-attr]
        text = (
            f"{file}: {channel} differs from {sorties} earlier sorties of this recorder as with {found.words}; "
            "nothing was altered"
        )
    facts: dict[str, Any] = {"channel": channel, "confusion": found.words, "factor": found.factor, "sorties": sorties}
    return Finding("UNIT_CHANGE_SUSPECTED", text, "doubt", f"{file} {channel}", facts=facts)


def _add(prepared: Prepared, findings: Sequence[Finding]) -> Prepared:
    table = prepared.rows["finding"]
    new = [
        {"sortie": prepared.sortie, **finding_row(table.num_rows + number, "reading", finding)}
        for number, finding in enumerate(findings, 1)
    ]
    rows = prepared.rows | {
        "finding": pa.concat_tables([table, pa.Table.from_pylist(new, schema=TABLE["finding"].arrow_schema())])
    }
    report = dataclasses.replace(prepared.report, findings=(*prepared.report.findings, *findings))
    return dataclasses.replace(prepared, rows=rows, report=report)
