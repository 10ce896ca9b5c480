"""Answers of the programme as records: what JSON and CSV hold, in display units with the unit beside."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..shared.settings import Settings
from .display import clean, display_unit, shown, shown_difference, statistic_shown
from .listing import utc_text
from .point_bands import type_b_of

if TYPE_CHECKING:
    import pandas as pd

    from ..store.find import FindResult
    from ..store.programme import Programme

Record = dict[str, Any]

_DIFFERENCES = ("deviation", "error")
_NO_KEY = object()  # a record without this key


def point_records(
    programme: Programme,
    sortie: str | None,
    config: Mapping[str, str] | None,
    *,
    refused: bool,
    kind: str | None = None,
) -> list[Record]:
    """One record per point: interval, kind, configuration, statistics by channel, score, reasons.

    With `refused`, the refused candidates alone.
    """
    return records_of(_chosen_points(programme, sortie, config, refused=refused, kind=kind), programme, sortie)


def brief_point_records(
    programme: Programme,
    sortie: str | None,
    config: Mapping[str, str] | None,
    channels: Sequence[str],
    *,
    refused: bool,
    kind: str | None = None,
) -> list[Record]:
    """The same with mean, standard error and type B uncertainty of these channels (of store.query.POINT_CHANNELS) alone: a tenth of the time."""
    settings = programme.settings
    points = _chosen_points(programme, sortie, config, refused=refused, kind=kind)
    return [_point_record(row, _means_shown(row, channels, settings)) for row in points.to_dict("records")]


def _chosen_points(
    programme: Programme, sortie: str | None, config: Mapping[str, str] | None, *, refused: bool, kind: str | None
) -> pd.DataFrame:
    points = programme.points(sortie, config, refused=refused, kind=kind)
    return points[~points["accepted"].astype(bool)] if refused and len(points) else points


def _means_shown(row: Mapping[Hashable, Any], channels: Sequence[str], settings: Settings) -> dict[str, dict[str, Any]]:
    means = {name: float(row[name]) for name in channels if row[name] == row[name]}
    type_b = type_b_of(means, settings)
    return {
        name: {
            "mean": clean(shown(mean, name, settings)),
            "standard_error": clean(shown_difference(row[f"{name}_error"], name, settings)),
            "type_b": clean(shown_difference(type_b[name], name, settings)) if name in type_b else None,
            "unit": display_unit(name, settings),
        }
        for name, mean in means.items()
    }


def records_of(points: pd.DataFrame, programme: Programme, sortie: str | None) -> list[Record]:
    """The records of points the programme gave; `sortie` is the one they are all of, None for several."""
    statistics = _statistics_by_point(programme, sortie) if len(points) else {}
    settings = programme.settings
    return [
        _point_record(row, _statistics_shown(statistics.get((row["sortie"], int(row["number"])), {}), settings))
        for row in points.to_dict("records")
    ]


def with_rows(records: list[Record], programme: Programme, sortie: str | None) -> list[Record]:
    """The points' records with `rows`: the lines of the main recorder's files each rests on."""
    rows: dict[tuple[str, int], list[Record]] = {}
    for one in programme.point_rows(sortie).to_dict("records"):
        span = {"file": one["file"], "first": int(one["first"]), "last": int(one["last"])}
        rows.setdefault((one["sortie"], int(one["number"])), []).append(span)
    return [{**record, "rows": rows.get((record["sortie"], record["number"]), [])} for record in records]


def rows_text(spans: list[Record]) -> str:
    """'display.csv 6505–6900', several files with a comma between them."""
    return ", ".join(f"{span['file']} {span['first']}–{span['last']}" for span in spans) or "–"


def _statistics_by_point(
    programme: Programme, sortie: str | None
) -> dict[tuple[str, int], dict[str, Mapping[Hashable, Any]]]:
    out: dict[tuple[str, int], dict[str, Mapping[Hashable, Any]]] = {}
    for row in programme.statistics(sortie).to_dict("records"):
        out.setdefault((row["sortie"], int(row["number"])), {})[row["channel"]] = row
    return out


def _statistics_shown(channels: Mapping[str, Mapping[Hashable, Any]], settings: Settings) -> dict[str, dict[str, Any]]:
    type_b = type_b_of({name: float(one["mean"]) for name, one in channels.items()}, settings)
    return {
        name: statistic_shown(name, _words(one), settings, type_b=type_b.get(name))
        for name, one in sorted(channels.items())
    }


def _point_record(row: Mapping[Hashable, Any], statistics: Mapping[str, Mapping[str, Any]]) -> Record:
    return {
        "sortie": row["sortie"],
        "number": int(row["number"]),
        "start_utc": utc_text(row["start_utc"]),
        "end_utc": utc_text(row["stop_utc"]),
        "duration_s": round(float(row["duration_s"]), 3),
        "kind": row["kind"],
        "gear": row["gear"],
        "flap": row["flap"],
        "power": row["power"],
        "propulsion": row["propulsion"],
        "score": clean(float(row["score"])),
        "accepted": bool(row["accepted"]),
        "reasons": [dict(reason) for reason in row["reasons"]],
        "statistics": statistics,
    }


def _words(row: Mapping[Hashable, Any]) -> dict[str, Any]:
    return {str(key): value for key, value in row.items()}


def event_records(programme: Programme, sortie: str | None, kind: str | None) -> list[Record]:
    """One record per event: kind, times, before, after, confidence, uncertainty."""
    settings = programme.settings
    return [
        {
            "sortie": row["sortie"],
            "number": int(row["number"]),
            "kind": row["kind"],
            "time_utc": utc_text(row["time_utc"]),
            "end_utc": utc_text(row["stop_utc"]),
            "duration_s": round(float(row["stop_s"]) - float(row["time_s"]), 3),
            "before": _side(row["before"], row["channel"], settings),
            "after": _side(row["after"], row["channel"], settings),
            "unit": display_unit(row["channel"], settings) if _is_number(row) else None,
            "confidence": clean(float(row["confidence"])),
            "uncertainty_s": clean(float(row["uncertainty_s"])),
            "channel": row["channel"],
            "facts": dict(row["facts"] or {}),
        }
        for row in programme.events(sortie, kind).to_dict("records")
    ]


def _is_number(event: Mapping[Hashable, Any]) -> bool:
    """Whether an event changed a number: before, after or both are one."""
    return isinstance(event["before"], float) or isinstance(event["after"], float)


def _side(value: Any, channel: str, settings: Settings) -> Any:
    return clean(shown(value, channel, settings)) if isinstance(value, float) else value


def frame_records(frame: pd.DataFrame, settings: Settings) -> list[Record]:
    """Rows of any answer: times as text, columns that are channels in display units, `_unit` named beside."""
    return _rows({str(name): frame[name].tolist() for name in frame.columns}, frame.attrs.get("units", {}), settings)


def stretch_records(found: FindResult, settings: Settings) -> list[Record]:
    """The same of what `find` found, without a frame made of it."""
    values = {
        "end_utc" if name == "stop_utc" else name: _moments(column) if column.dtype.kind == "M" else column.tolist()
        for name, column in found.columns.items()
    }
    return _rows(values, found.units, settings)


def _rows(values: Mapping[str, list[Any]], units: Mapping[str, str], settings: Settings) -> list[Record]:
    columns: dict[str, list[Any]] = {}
    for name, some in values.items():
        columns.update(_columns(name, some, units, settings))
    rows = zip(*columns.values(), strict=True)
    return [{key: value for key, value in zip(columns, row, strict=True) if value is not _NO_KEY} for row in rows]


def _columns(name: str, values: list[Any], units: Mapping[str, str], settings: Settings) -> dict[str, list[Any]]:
    """A column as records hold it, and that of its unit where it has one: a value that is no number is without."""
    if any(isinstance(value, dt.datetime) for value in values):
        return {"end_utc" if name == "stop_utc" else name: [_moment(value) for value in values]}
    channel, _, suffix = name.partition("__")
    unit = display_unit(channel, settings) if name in units else None
    plain = [value.item() if hasattr(value, "item") else value for value in values]
    numeric = [isinstance(value, int | float) and not isinstance(value, bool) for value in plain]
    if unit is None or not any(numeric):
        return {name: plain}
    convert = shown_difference if suffix in _DIFFERENCES else shown
    numbers: Any = np.array([value if is_one else np.nan for value, is_one in zip(plain, numeric, strict=True)], float)
    numbers = convert(numbers, channel, settings)
    return {
        name: [
            clean(one) if is_one else value for one, value, is_one in zip(numbers.tolist(), plain, numeric, strict=True)
        ],
        f"{name}_unit": [unit if is_one else _NO_KEY for is_one in numeric],
    }


def _moments(times: NDArray[np.datetime64]) -> list[str]:
    """As `utc_text`, of many at once."""
    return [f"{text}Z" for text in np.datetime_as_string(times, unit="ms", casting="unsafe").tolist()]


def _moment(value: Any) -> Any:
    return utc_text(value) if isinstance(value, dt.datetime) else value
