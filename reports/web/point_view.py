"""A point with everything behind it: statistics of every channel, reasons, the very rows, what people said."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ...shared.errors import ConditionError, TrimshotError
from ..display import number, statistic_shown, with_band
from ..listing import second_text, utc_text
from ..point_bands import bands_note, type_b_of, whole_band

if TYPE_CHECKING:
    import pandas as pd

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
        "bands": bands_note(programme.settings),
        "reasons": [dict(reason) for reason in row["reasons"] or []],
        "said": _said(row),
        "rows": rows_behind(
            programme, sortie, programme.rows_between(sortie, float(row["start_s"]), float(row["stop_s"]))
        ),
    }


def _said(row: dict[Any, Any]) -> dict[str, Any] | None:
    if not isinstance(row["judgement"], str):
        return None
    when = utc_text(row["judged_utc"])
    return {"action": row["judgement"], "by": row["judged_by"], "reason": row["judged_reason"], "when": when}


def _statistics(programme: Programme, sortie: str, point: int) -> list[dict[str, Any]]:
    settings = programme.settings
    judged = programme.judged_statistics(sortie)
    found = judged[judged["number"] == point]
    type_b = type_b_of(dict(zip(found["channel"], found["mean"], strict=True)), settings)
    out = []
    for one in found.to_dict("records"):
        channel = one["channel"]
        shown = statistic_shown(channel, {str(k): v for k, v in one.items()}, settings, type_b=type_b.get(channel))
        unit = shown["unit"] if shown["unit"] != "1" else None
        error = shown["standard_error"]
        out.append(
            {
                "channel": one["channel"],
                "label": one["channel"].removeprefix("raw_").replace("_", " "),
                "unit": unit,
                "mean": shown["mean"],
                "band": whole_band(shown),
                "value": with_band(shown["mean"], whole_band(shown), unit),
                "samples_band": None if error is None else 2 * error,
                "calibration_band": None if shown["type_b"] is None else 2 * shown["type_b"],
                "parts": _parts(error, shown["type_b"], unit),
                "deviation": number(shown["deviation"], unit),
                "slope": _slope(shown["slope_per_s"]),
                "samples": int(one["samples"]),
            }
        )
    return out


def _parts(error: float | None, type_b: float | None, unit: str | None) -> str:
    """The two parts of a band as text: of the samples, of the calibration."""
    parts = ["–" if one is None else with_band(0.0, 2 * one, unit).partition("± ")[2] for one in (error, type_b)]
    return " / ".join(parts)


def _slope(value: float | None) -> str:
    return "–" if value is None else f"{value:+.3g}"


def rows_behind(programme: Programme, sortie: str, spans: pd.DataFrame) -> list[dict[str, Any]]:
    """Per file the rows a stretch rests on (Programme.rows_between), the first and last as they stand in the file."""
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
