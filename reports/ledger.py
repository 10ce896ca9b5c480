"""The trust ledger of a sortie as records: per file its rows, every decision with its evidence, units, clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from .display import clean, shown_unit_symbol

if TYPE_CHECKING:
    from ..store.programme import Programme
    from ..store.sources import SourceRow

Record = dict[str, Any]

_COUNTS = ("rows_in", "rows_out", "rows_dropped", "rows_repaired", "not_rows", "dropped_lines", "evidence")


def ledger_records(programme: Programme, sortie: str, file: str | None) -> list[Record]:
    """One record per source file of a sortie (of one alone when `file` is named)."""
    sources = programme.ledger(sortie).to_dict("records")
    channels = [_words(c) for c in programme.channels(sortie).to_dict("records") if c["track"] != "frame"]
    findings = [_words(f) for f in programme.findings(sortie).to_dict("records")]
    return [
        _file_record(_words(source), channels, findings) for source in sources if file is None or source["file"] == file
    ]


def _words(row: Mapping[Any, Any]) -> Record:
    return {str(key): None if isinstance(value, float) and value != value else value for key, value in row.items()}


def _file_record(source: Record, channels: list[Record], findings: list[Record]) -> Record:
    ledger = source["ledger"] or {}
    not_rows = ledger.get("not_rows") or {}
    counts = {key: _whole(source[key]) for key in ("rows_in", "rows_out", "rows_dropped", "rows_repaired")}
    mine = [f for f in findings if _is_about(f, source["file"])]
    return {
        "file": source["file"],
        "bytes": _whole(source["bytes"]),
        "sha256": source["sha256"],
        "adapter": source["adapter"],
        "adapter_version": _whole(source["adapter_version"]),
        "instrument": source["instrument"],
        **counts,
        "not_rows": not_rows,
        "rows_reconcile": _reconcile(counts, not_rows),
        "dropped": [dict(zip(("row", "reason", "text"), line, strict=False)) for line in ledger.get("dropped_lines", ())],
        "decisions": _decisions(ledger),
        "units": _units(source, channels, mine),
        "clock": _clock(source),
        "tracks": source["tracks"],
        "findings": [{k: f[k] for k in ("level", "code", "text", "place", "times")} for f in mine],
        "error": ledger.get("error"),
    }  # fmt: skip


def _reconcile(counts: Mapping[str, int | None], not_rows: Mapping[str, int]) -> bool | None:
    """Whether every row of the file is accounted for; None for a file that was not read."""
    if counts["rows_in"] is None:
        return None
    return counts["rows_in"] == (counts["rows_out"] or 0) + (counts["rows_dropped"] or 0) + sum(not_rows.values())


def _decisions(ledger: Mapping[str, Any]) -> list[Record]:
    """Every decision taken while reading, with the sentence that says why."""
    evidence = dict(ledger.get("evidence") or {})
    out = [
        {"what": what, "value": value, "evidence": evidence.pop(what, None)}
        for what, value in ledger.items()
        if what not in (*_COUNTS, "error", "layouts")
    ]
    return out + [{"what": what, "value": None, "evidence": why} for what, why in evidence.items()]


def _units(source: Record, channels: list[Record], findings: list[Record]) -> list[Record]:
    """Per channel of the file's tracks: header, unit as written, unit it was read in, and why where it was concluded."""
    inferred = [f for f in findings if f["code"] == "UNIT_INFERRED" and f["facts"]]
    concluded = {f["facts"]["header"]: f for f in inferred if "header" in f["facts"]}
    out = []
    for channel in channels:
        if channel["track"] not in source["tracks"] or channel["derived_from"]:
            continue
        told = concluded.get(channel["header"])
        written = channel["unit_as_written"] or None
        read = told["facts"].get("unit") if told else shown_unit_symbol(written)
        out.append(
            {
                "track": channel["track"],
                "channel": channel["channel"],
                "header": channel["header"],
                "unit_as_written": written,
                "unit_read": read,
                "unit_stored": channel["unit"] or None,
                "evidence": told["text"] if told else ("stated" if written and read else None),
            }
        )
    return out


def _clock(source: Record) -> Record:
    return {
        "basis": source["clock_basis"],
        "zone_s": source["zone_s"],
        "offset_s": clean(source["offset_s"]),
        "offset_uncertainty_s": clean(source["offset_uncertainty_s"]),
        "drift_ppm": clean(source["drift_ppm"]),
        "drift_uncertainty_ppm": clean(source["drift_uncertainty_ppm"]),
        "reference": source["clock_reference"],
        "channel": source["clock_channel"],
        "evidence": source["clock_evidence"],
    }


def _is_about(finding: Mapping[Any, Any], file: str) -> bool:
    where = finding["place"] or ""
    return where == file or where.startswith(f"{file} ")


def _whole(value: Any) -> int | None:
    return None if value is None or value != value else int(value)


def row_record(row: SourceRow) -> Record:
    """One row of a kept file: its bytes as they stand, and the samples that came from it."""
    raw = row.raw
    return {
        "file": row.file,
        "kind": raw.kind,
        "row": raw.row,
        "offset": raw.offset,
        "bytes": len(raw.content),
        "text": raw.text,
        "hex": raw.content.hex(),
        "samples": [
            {**{str(key): value for key, value in one.items()}, "value": clean(one["value"])}
            for one in row.samples.astype(object).where(row.samples.notna(), None).to_dict("records")
        ],
        "row_with_samples_before": row.before,
    }
