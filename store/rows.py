"""A Recording and its Detection as rows of the catalog: plain data, one Arrow table per table."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import pyarrow as pa

from ..shared.findings import Detection, Finding, StabilisedPoint
from ..shared.frame import gap_limit_s
from ..shared.recording import Column, Recording, Source, Track
from ..shared.settings import Settings
from ..shared.spill import note_use
from ..shared.vocabulary import unit_of_channel
from .frame import Frame, recorded_column, state_runs
from .pieces import cut_pieces
from .places import TRACKS, track_file_name
from .schema import TABLE

Row = dict[str, Any]

_CLOCK_COLUMNS = ("sortie", "i", "t", "until", "gap")


@cache
def program_version() -> str:
    """The installed program's version, 'unknown' when it is not installed."""
    try:
        return version("trimshot")
    except PackageNotFoundError:
        return "unknown"


def to_json(value: Any) -> str:
    """Any value of ours as strict JSON: NaN and infinities become null, times ISO 8601."""
    return _JSON.encode(_plain(value))


_JSON = json.JSONEncoder(sort_keys=True, allow_nan=False, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if value is None or type(value) in (str, int, bool):  # nearly all there is
        return value
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(one) for one in value]
    if isinstance(value, dt.datetime | dt.date | dt.time):
        return value.isoformat()
    return value if isinstance(value, str | int | bool | None) else str(value)


def catalog_rows(
    recording: Recording, detection: Detection, settings: Settings, *, frame: Frame, content_hash: str, addition: str
) -> dict[str, pa.Table]:
    """Table name -> rows, every table of the schema."""
    sortie = recording.sortie_id
    rows: dict[str, Iterable[Row]] = {
        "sortie": [_sortie_row(recording, settings, frame, content_hash, addition)],
        "source": (_source_row(number, one, recording) for number, one in enumerate(all_sources(recording), 1)),
        "track": (_track_row(number, track) for number, track in enumerate(recording.tracks, 1)),
        "channel": _channel_rows(recording, frame),
        "run": (
            {"channel": run.channel, "value": run.value, "start_s": run.segment.start_s, "stop_s": run.segment.stop_s}
            for run in state_runs(detection)
        ),
        "piece": cut_pieces(frame),
        "event": _event_rows(detection),
        "phase": (
            {"start_s": phase.segment.start_s, "stop_s": phase.segment.stop_s, "kind": phase.kind}
            for phase in detection.phases
        ),
        "manoeuvre": _manoeuvre_rows(detection),
        "point": (
            {**_point_row(number, point), "accepted": number <= len(detection.points)}
            for number, point in numbered_points(detection)
        ),
        "finding": _finding_rows(recording, detection),
    }
    tables = {
        name: pa.Table.from_pylist([{"sortie": sortie, **row} for row in some], schema=TABLE[name].arrow_schema())
        for name, some in rows.items()
    }
    return tables | {"statistic": _statistic_table(sortie, detection)}


def all_sources(recording: Recording) -> tuple[Source, ...]:
    """Every source of a recording once: those listed, then those only tracks know."""
    listed = {(one.file, one.clock, one.sha256): one for one in recording.sources}
    for track in recording.tracks:
        for one in track.sources:
            listed.setdefault((one.file, one.clock, one.sha256), one)
    return tuple(listed.values())


def numbered_points(detection: Detection) -> list[tuple[int, StabilisedPoint]]:
    """Accepted points from 1 in time order, refused candidates after them."""
    accepted = sorted(detection.points, key=lambda point: point.segment.start_s)
    refused = sorted(detection.refused, key=lambda point: point.segment.start_s)
    return list(enumerate([*accepted, *refused], 1))


def _sortie_row(recording: Recording, settings: Settings, frame: Frame, content_hash: str, addition: str) -> Row:
    main = recording.track(recording.main)
    last = dt.timedelta(seconds=float(main.time_s[-1])) if len(main.time_s) else dt.timedelta()
    return {
        "start_utc": recording.start_utc,
        "stop_utc": recording.start_utc + last,
        "aircraft": recording.card.aircraft or settings.aircraft.name,
        "card": to_json(recording.card),
        "main_track": recording.main,
        "content_hash": content_hash,
        "settings_hash": settings.digest(),
        "reading_hash": settings.reading_digest(),
        "program": program_version(),
        "added_utc": dt.datetime.now(dt.UTC),
        "frame_rows": frame.table.num_rows,
        "gap_limit_s": gap_limit_s(main),
        "state": "complete",
        "addition": addition,
    }


def _source_row(number: int, source: Source, recording: Recording) -> Row:
    clock, ledger = source.clock, source.ledger
    tracks = [track.name for track in recording.tracks if any(one.file == source.file for one in track.sources)]
    counts = {key: _count(ledger, key) for key in ("rows_in", "rows_out", "rows_dropped", "rows_repaired")}
    return {
        "number": number,
        "file": source.file,
        "sha256": source.sha256,
        "bytes": source.bytes,
        "adapter": source.adapter,
        "adapter_version": source.adapter_version,
        "instrument": source.instrument,
        "tracks": to_json(tracks),
        **counts,
        "clock_basis": clock.basis,
        "zone_s": clock.zone_s,
        "offset_s": clock.offset_s,
        "offset_uncertainty_s": clock.offset_uncertainty_s,
        "drift_ppm": clock.drift_ppm,
        "drift_uncertainty_ppm": clock.drift_uncertainty_ppm,
        "clock_reference": clock.reference,
        "clock_channel": clock.channel,
        "clock_evidence": clock.evidence,
        "ledger": to_json(ledger),
    }


def _count(ledger: Mapping[str, Any], key: str) -> int | None:
    value = ledger.get(key)
    return int(value) if isinstance(value, int | float) else None


def _track_row(number: int, track: Track) -> Row:
    step = track.median_step_s
    return {
        "track": track.name,
        "file": f"{TRACKS}/{track_file_name(number, track.name)}",
        "samples": len(track.time_s),
        "median_step_s": step if math.isfinite(step) else None,
        "start_s": float(track.time_s[0]) if len(track.time_s) else None,
        "stop_s": float(track.time_s[-1]) if len(track.time_s) else None,
    }


def _channel_rows(recording: Recording, frame: Frame) -> list[Row]:
    """The channels of every track, then those of the frame: of one that is the main track's own the bounds are known."""
    extents = {
        (track.name, name): _extent(column.values)
        for track in recording.tracks
        for name, column in track.columns.items()
    }
    rows = [
        {"track": track.name, "channel": name, **_column_facts(column), **extents[track.name, name]}
        for track in recording.tracks
        for name, column in track.columns.items()
    ]
    for name in frame.table.column_names:
        if name in _CLOCK_COLUMNS:
            continue
        column = recorded_column(recording, name)
        facts = _column_facts(column) if column else {"derived_from": to_json(frame.derived.get(name, ()))}
        known = extents.get((recording.main, name)) if column and not column.is_text else None
        extent = known or _frame_extent(frame.table.column(name))
        rows.append({"track": "frame", "channel": name, **facts, "unit": unit_of_channel(name), **extent})
    return rows


def _frame_extent(array: pa.ChunkedArray) -> Row:
    note_use(array.nbytes)
    if not pa.types.is_dictionary(array.type):
        return _extent(array.to_numpy())
    words = array.combine_chunks()
    valid = len(words) - words.null_count
    # a state that is unknown throughout has no value anywhere
    if words.dictionary.to_pylist() == ["unknown"]:
        valid = 0
    return {"samples": len(words), "valid": valid}


def _column_facts(column: Column) -> Row:
    return {
        "unit": column.unit,
        "header": column.source_name,
        "unit_as_written": column.source_unit,
        "step": column.step,
        "derived_from": to_json(column.derived_from),
    }


def _extent(values: Any) -> Row:
    if values.dtype == object:
        return {"samples": len(values), "valid": sum(value is not None for value in values)}
    if len(values):
        low, high = float(values.min()), float(values.max())
        if math.isfinite(low) and math.isfinite(high):  # then every value is
            return {"samples": len(values), "valid": len(values), "low": low, "high": high}
    good = values[np.isfinite(values)]
    extent: Row = {"samples": len(values), "valid": len(good)}
    # with an infinite value among them the finite ones bound nothing
    if len(good) and not np.isinf(values).any():
        extent |= {"low": float(good.min()), "high": float(good.max())}
    return extent


def _event_rows(detection: Detection) -> list[Row]:
    return [
        {
            "number": number,
            "kind": event.kind,
            "time_s": event.time_s,
            "stop_s": event.stop_s,
            "uncertainty_s": event.uncertainty_s,
            "channel": event.channel,
            "before": to_json(event.before),
            "after": to_json(event.after),
            "confidence": event.confidence,
            "detector": event.detector,
            "facts": to_json(event.facts),
        }
        for number, event in enumerate(sorted(detection.events, key=lambda one: one.time_s), 1)
    ]


def _manoeuvre_rows(detection: Detection) -> list[Row]:
    return [
        {
            "number": number,
            "start_s": one.segment.start_s,
            "stop_s": one.segment.stop_s,
            "kind": one.kind,
            "channels": to_json(one.channels),
            "confidence": one.confidence,
            "detector": one.detector,
            "facts": to_json(one.facts),
        }
        for number, one in enumerate(sorted(detection.manoeuvres, key=lambda m: m.segment.start_s), 1)
    ]


def _point_row(number: int, point: StabilisedPoint) -> Row:
    return {
        "number": number,
        "start_s": point.segment.start_s,
        "stop_s": point.segment.stop_s,
        "kind": point.kind,
        "gear": point.state.gear,
        "flap": point.state.flap,
        "power": point.state.power,
        "propulsion": point.state.propulsion,
        "score": point.score,
        "detector": point.detector,
        "reasons": to_json(point.reasons),
    }


def _statistic_table(sortie: str, detection: Detection) -> pa.Table:
    """By columns: there are a thousand rows and more."""
    points = numbered_points(detection)
    ones = [one for _, point in points for one in point.statistics.values()]
    columns = {
        "sortie": [sortie] * len(ones),
        "number": [number for number, point in points for _ in point.statistics],
        "channel": [name for _, point in points for name in point.statistics],
        "unit": [one.unit for one in ones],
        "mean": [one.mean for one in ones],
        "deviation": [one.deviation for one in ones],
        "slope_per_s": [one.slope_per_s for one in ones],
        "standard_error": [one.standard_error for one in ones],
        "samples": [one.count for one in ones],
        "low": [one.low for one in ones],
        "high": [one.high for one in ones],
    }
    return pa.table(columns, schema=TABLE["statistic"].arrow_schema())


def _finding_rows(recording: Recording, detection: Detection) -> list[Row]:
    staged = [("reading", one) for one in recording.findings] + [("detecting", one) for one in detection.findings]
    return [finding_row(number, stage, one) for number, (stage, one) in enumerate(staged, 1)]


def finding_row(number: int, stage: str, finding: Finding) -> Row:
    """One finding as a row of the catalog, without its sortie."""
    return {
        "number": number,
        "stage": stage,
        "level": finding.level,
        "code": finding.code,
        "text": finding.text,
        "place": finding.where,
        "times": finding.count,
        "start_s": finding.start_s,
        "stop_s": finding.stop_s,
        "facts": to_json(finding.facts),
    }
