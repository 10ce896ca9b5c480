"""What reading a file or folder would give, as plain JSON values; nothing is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.errors import InputError, TrimshotError
from ..shared.findings import Finding
from ..shared.on_change import every_row_changes
from ..shared.settings import Settings
from .questions import ask, plain_questions
from .raw import RawColumn
from .reading import FileReading
from .sortie import Placed, Reading, build_recording, read_files

Floats = NDArray[np.float64]

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_GAP_STEPS = 1.5  # a step of more than this many median steps is listed as a gap

# findings that describe how columns were named and clocks compared, not a doubt about the data
_QUIET = frozenset(
    {
        "CHANNEL_UNNAMED",
        "CHANNEL_INFERRED",
        "UNIT_INFERRED",
        "DERIVED",
        "CLOCK_UNRESOLVED",
        "HEADING_REFERENCE_UNKNOWN",
    }
)
# faults only the user can clear up
_ASKING = frozenset(
    {"HEADER_ROW_WIDTH_MISMATCH", "DATE_ORDER_AMBIGUOUS", "SPREADSHEET_TIME_LOST", "TIME_PRECISION_LOST"}
)


def describe(path: Path, settings: Settings | None = None) -> dict[str, Any]:
    """Outcome, rows, channels as written, time, findings, questions and ledgers of a file or folder.

    outcome: ok | ok_with_findings | needs_answer | error. Never raises for what the files hold.
    """
    settings = settings or Settings()
    try:
        reading = read_files(path, settings)
    except TrimshotError as error:
        return _refused(error)
    findings, failure = list(reading.findings), None
    try:
        findings = list(build_recording(reading, settings).findings)
    except InputError as error:
        failure, findings = error, list(ask(findings, reading.files))
    needs = _needs(reading, findings)
    return {
        "outcome": _outcome(reading, findings, needs),
        "rows": sum(len(one.table.raw.row) for one in reading.placed),
        "channels": _channels(reading.placed),
        "time": _time_of(reading.placed),
        "findings": [_plain_finding(f) for f in findings],
        "needs": [need for need, _ in needs],
        "questions": plain_questions(findings),
        "error": _error(findings, failure),
        "files": [_file(one, reading.placed) for one in reading.files],
    }


def _refused(error: TrimshotError) -> dict[str, Any]:
    return {
        "outcome": "error",
        "rows": 0,
        "channels": {},
        "time": None,
        "findings": [],
        "needs": [],
        "questions": [],
        "error": {"code": error.code or type(error).__name__, "message": str(error)},
        "files": [],
    }


# -- outcome --------------------------------------------------------------------------------------


def _needs(reading: Reading, findings: Sequence[Finding]) -> list[tuple[str, bool]]:
    """Questions to the user, each with whether the data cannot be used without the answer."""
    out = []
    for finding in findings:
        question = finding.facts.get("question") or (finding.text if finding.code in _ASKING else None)
        if not question:
            continue
        where = (finding.where or "").split(" ")[0]
        text = question if where in str(question) else f"{where}: {question}"
        out.append((str(text), finding.code in _ASKING or _mixes(finding.code, reading)))
    return out


def _mixes(code: str, reading: Reading) -> bool:
    """An open datum or reference is harmless alone; beside another one the two would be mixed."""
    names = [name for placed in reading.placed for name in placed.table.mapped.columns]
    if code == "ALT_DATUM_UNKNOWN":
        return len([n for n in names if n in ("unnamed_altitude", "pressure_altitude", "baro_altitude")]) > 1
    if code == "HEADING_REFERENCE_UNKNOWN":
        return "track_true" in names or "heading_true" in names or "heading_magnetic" in names
    return False


def _outcome(reading: Reading, findings: Sequence[Finding], needs: Sequence[tuple[str, bool]]) -> str:
    if not reading.placed:
        return "error"
    if any(blocking for _, blocking in needs):
        return "needs_answer"
    return "ok_with_findings" if any(not _is_quiet(f) for f in findings) else "ok"


def _is_quiet(finding: Finding) -> bool:
    """Steps the recorder rounds to are a doubt about the data only where the channel stands between them."""
    return finding.code in _QUIET or (finding.code == "QUANTISED" and finding.level == "note")


def _error(findings: Sequence[Finding], failure: TrimshotError | None) -> dict[str, str] | None:
    for finding in findings:
        if finding.code in _ASKING:
            return {"code": finding.code, "message": finding.text}
    if failure is None:
        return None
    return {"code": failure.code or type(failure).__name__, "message": str(failure)}


def _plain_finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "level": finding.level,
        "count": finding.count,
        "where": finding.where,
        "text": finding.text,
        "facts": plain(finding.facts),
    }


# -- channels -------------------------------------------------------------------------------------


def _channels(placed: Sequence[Placed]) -> dict[str, dict[str, Any]]:
    """Channel -> its column as written; a second file's channel of one name carries the file's name."""
    out: dict[str, dict[str, Any]] = {}
    for (name, file, _), pieces in _written(placed).items():
        key = name if name not in out else f"{name} ({file})"
        columns = [column for column, _ in pieces]
        whole = replace(columns[0], values=np.concatenate([column.values for column in columns]))
        out[key] = _channel(whole, pieces[0][1]) | {"file": file}
    return out


def _written(placed: Sequence[Placed]) -> dict[tuple[str, str, str], list[tuple[RawColumn, str | None]]]:
    """(channel, file, header) -> its column in every session of the file, with its unit."""
    out: dict[tuple[str, str, str], list[tuple[RawColumn, str | None]]] = {}
    for one in placed:
        written = {column.header: column for column in one.table.raw.columns}
        for name, column in one.table.mapped.columns.items():
            key = (name, one.reading.file.name, column.source_name)
            out.setdefault(key, []).append((written[column.source_name], one.table.mapped.units[name]))
    return out


def _channel(column: RawColumn, unit: str | None) -> dict[str, Any]:
    values = column.values
    is_text = values.dtype == object
    present = np.array([value is not None for value in values], dtype=bool) if is_text else np.isfinite(values)
    known = values[present]
    has_range = len(known) > 0 and not is_text
    return {
        "source": column.header,
        "unit": unit,
        "n": len(values),
        "valid": len(known),
        "missing": len(values) - len(known),
        "first_valid": plain(known[0]) if len(known) else None,
        "last_valid": plain(known[-1]) if len(known) else None,
        "min": float(known.min()) if has_range else None,
        "max": float(known.max()) if has_range else None,
    }


# -- time -----------------------------------------------------------------------------------------


def _time_of(placed: Sequence[Placed]) -> dict[str, Any] | None:
    """Time of all tables together: the sortie's span in the weakest basis of its tables."""
    known = [one for one in placed if one.solved.utc_s is not None]
    if not known:
        return None
    bases = [_basis(one) for one in known]
    basis = next((b for b in ("utc", "unzoned", "time_of_day_no_date", "elapsed") if b in bases), "utc")
    chosen = [one for one, b in zip(known, bases, strict=True) if b == basis]
    return _time_facts(chosen, basis)


def _basis(placed: Placed) -> str:
    if placed.solved.certain:
        return "utc"
    return {"time_of_day": "time_of_day_no_date", "elapsed": _elapsed_basis(placed)}.get(
        placed.solved.clock.basis, "unzoned"
    )


def _elapsed_basis(placed: Placed) -> str:
    return "unzoned" if placed.table.raw.time.start is not None else "elapsed"


def _time_facts(placed: Sequence[Placed], basis: str) -> dict[str, Any]:
    parts = [one.solved.utc_s for one in placed if one.solved.utc_s is not None]
    stamps = np.sort(np.concatenate(parts))
    stamps = stamps[np.isfinite(stamps)]
    if not len(stamps):
        return {"basis": basis, "first": None, "last": None, "n": 0}
    steps = np.diff(stamps)
    rising = steps[steps > 0]
    median = float(np.median(rising)) if len(rising) else None
    repeats = sum(int(np.sum(np.diff(np.sort(part)) == 0)) for part in parts)
    return {
        "basis": basis,
        "first": show_time(float(stamps[0]), basis),
        "last": show_time(float(stamps[-1]), basis),
        "n": len(stamps),
        "median_dt_s": None if median is None else round(median, 6),
        "duplicates": repeats,
        "gaps": [] if all(_only_changes(one) for one in placed) else _gaps(stamps, steps, median, basis),
        "monotonic_after_repair": True,
    }


def _only_changes(placed: Placed) -> bool:
    """A table of states with a row at each change misses nothing in between."""
    return every_row_changes(column.values for column in placed.table.raw.columns)


def _gaps(stamps: Floats, steps: Floats, usual: float | None, basis: str) -> list[dict[str, Any]]:
    if usual is None:
        return []
    places = np.flatnonzero(steps > _GAP_STEPS * usual)
    return [{"after": show_time(float(stamps[i]), basis), "length_s": round(float(steps[i]), 6)} for i in places[:50]]


def show_time(seconds: float, basis: str) -> str | float:
    """Seconds since 1970 as people write them: ISO with Z, without zone, time of day, or a count."""
    if basis == "elapsed":
        return round(seconds, 9)
    stamp = _EPOCH + dt.timedelta(seconds=seconds)
    if basis == "time_of_day_no_date":
        return stamp.time().isoformat()
    return stamp.replace(tzinfo=None).isoformat() + ("Z" if basis == "utc" else "")


# -- files ----------------------------------------------------------------------------------------


def _file(reading: FileReading, placed: Sequence[Placed]) -> dict[str, Any]:
    tables = [one for one in placed if one.reading is reading]
    return {
        "file": reading.file.name,
        "sha256": reading.sha256,
        "bytes": reading.file.size,
        "adapter": reading.raw.adapter if reading.raw else None,
        "rows": sum(len(one.table.raw.row) for one in tables),
        "kind": [one.table.mapped.kind for one in tables],
        "instrument": [one.table.raw.fingerprint for one in tables],
        "time": [_time_facts([one], _basis(one)) for one in tables if one.solved.utc_s is not None],
        "clock": [plain(one.solved.clock.evidence) for one in tables],
        "ledger": plain(reading.raw.ledger) if reading.raw else {},
        "metadata": plain(reading.raw.metadata) if reading.raw else {},
        "error": None if reading.error is None else {"code": reading.error.code, "message": str(reading.error)},
    }


def plain(value: Any) -> Any:
    """A value as JSON knows it: numpy numbers as Python ones, NaN as None, everything else as text."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool):
        return value
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    return str(value)
