"""A point with everything behind it: statistics of every channel, reasons, the very rows, what people said."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ...shared.errors import ConditionError, TrimshotError
from ..display import number, statistic_shown, with_band
from ..listing import second_text, utc_text
from .channel_groups import label_of

if TYPE_CHECKING:
    from ...store.programme import Programme

_ROWS_SHOWN = 3
_LINE = 400
# the numbers a point is known by, shown large
_HEAD = ("calibrated_airspeed", "pressure_altitude", "sink_rate", "engine_speed")


def point_context(programme: Programme, sortie: str, point: int) -> dict[str, Any]:
    """Everything about one point or refused candidate. Raises UnknownSortieError, ConditionError."""
    judged = programme.judged_points(sortie, refused=True)
    rows = judged[judged["number"] == point]
    if not len(rows):
        raise ConditionError("no such point", where=sortie, found=str(point))
    row = rows.to_dict("records")[0]
    statistics = _statistics(programme, sortie, point)
    return {
        "sortie": sortie,
        "number": point,
        "accepted": bool(row["accepted"]),
        "found_accepted": None if row["found_accepted"] is None else bool(row["found_accepted"]),
        "start": utc_text(row["start_utc"]),
        "stop": utc_text(row["stop_utc"]),
        "start_text": second_text(utc_text(row["start_utc"])),
        "stop_text": second_text(utc_text(row["stop_utc"]))[11:],
        "start_s": float(row["start_s"]),
        "stop_s": float(row["stop_s"]),
        "duration": number(float(row["duration_s"]), "s"),
        **{key: row[key] for key in ("kind", "gear", "flap", "power", "propulsion", "detector")},
        "score": number(float(row["score"]), None),
        "head": [one for name in _HEAD for one in statistics if one["channel"] == name],
        "statistics": statistics,
        "reasons": [dict(reason) for reason in row["reasons"] or []],
        "said": _said(row),
        "rows": _rows(programme, sortie, row),
    }


def _said(row: dict[Any, Any]) -> dict[str, Any] | None:
    if not isinstance(row["judgement"], str):
        return None
    when = utc_text(row["judged_utc"])
    return {"action": row["judgement"], "by": row["judged_by"], "reason": row["judged_reason"], "when": when}


def _statistics(programme: Programme, sortie: str, point: int) -> list[dict[str, Any]]:
    settings = programme.settings
    found = programme.judged_statistics(sortie)
    out = []
    for one in found[found["number"] == point].to_dict("records"):
        shown = statistic_shown(one["channel"], {str(key): value for key, value in one.items()}, settings)
        unit = shown["unit"] if shown["unit"] != "1" else None
        error = shown["standard_error"]
        out.append(
            {
                "channel": one["channel"],
                "label": label_of(one["channel"]),
                "unit": unit,
                "mean": shown["mean"],
                "band": None if error is None else 2 * error,
                "value": with_band(shown["mean"], None if error is None else 2 * error, unit),
                "deviation": number(shown["deviation"], unit),
                "slope": _slope(shown["slope_per_s"]),
                "samples": int(one["samples"]),
            }
        )
    return out


def _slope(value: float | None) -> str:
    return "–" if value is None else f"{value:+.3g}"


def _rows(programme: Programme, sortie: str, row: dict[Any, Any]) -> list[dict[str, Any]]:
    """Per file of the main recorder the rows the stretch rests on, the first and last as they stand in the file."""
    spans = programme.rows_between(sortie, float(row["start_s"]), float(row["stop_s"]))
    out = []
    for span in spans.to_dict("records"):
        first, last = int(span["first"]), int(span["last"])
        shown = sorted({*range(first, min(last, first + _ROWS_SHOWN - 1) + 1), last})
        out.append(
            {
                "file": span["file"],
                "first": first,
                "last": last,
                "lines": _lines(programme, sortie, span["file"], shown),
            }
        )
    return out


def _lines(programme: Programme, sortie: str, file: str, rows: list[int]) -> list[dict[str, Any]]:
    try:
        raws = programme.source_lines(sortie, file, rows)
    except TrimshotError as error:
        return [{"row": rows[0], "text": error.text()}]
    return [
        {"row": raw.row, "text": raw.text[:_LINE] if raw.text is not None else raw.content[:64].hex(" ")}
        for raw in raws
    ]
