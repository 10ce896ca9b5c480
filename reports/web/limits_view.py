"""Limits passed and extremes recorded, over all sorties."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ...shared.vocabulary import meaning_of
from ...store.overview import count_findings, list_extremes
from ..display import clean, display_unit, number, shown
from ..listing import clock_time, utc_text
from .channel_groups import label_of

if TYPE_CHECKING:
    from ...store.programme import Programme

_FAMILY = "exceeded"
_PREFIX = f"{_FAMILY}_"
# extremes people ask for: channel, whether the lowest counts as well
_EXTREMES = (
    ("indicated_airspeed", False), ("calibrated_airspeed", False), ("normal_load_factor", True), ("pressure_altitude", False),
    ("engine_speed", False), ("manifold_pressure", False), ("bank", True), ("pitch", True), ("cylinder_head_temperature", False),
    ("exhaust_gas_temperature", False), ("oil_temperature", False), ("oil_pressure", True), ("bus_voltage", True),
)  # fmt: skip


def limits_context(programme: Programme) -> dict[str, Any]:
    """passed: every excursion; unnamed: findings that say what was not looked for; extremes: highest and lowest recorded."""
    passed = [_passed(row, programme) for row in programme.events(kind=_FAMILY).to_dict("records")]
    untold = count_findings(programme.folder, "NOT_ATTEMPTED", "limit")
    return {
        "passed": sorted(passed, key=lambda one: str(one["kind"])),
        "unnamed": [{"text": one.text, "sorties": int(one.sorties)} for one in untold.itertuples()],
        "extremes": extremes_of(programme),
    }


def _passed(row: dict[Any, Any], programme: Programme) -> dict[str, Any]:
    settings, facts, channel = programme.settings, row["facts"] or {}, row["channel"]
    unit = display_unit(channel, settings)
    unit = None if unit == "1" else unit

    def text(name: str) -> str:
        value = facts.get(name)
        return "–" if value is None else number(float(shown(float(value), channel, settings)), unit)

    return {
        "sortie": row["sortie"],
        "kind": row["kind"].removeprefix(_PREFIX).replace("_", " "),
        "channel": label_of(channel),
        "unit": unit,
        "limit": text("limit"),
        "peak": text("peak"),
        "duration": number(facts.get("duration_s"), "s"),
        "time": clock_time(str(utc_text(row["time_utc"]))),
        "date": str(utc_text(row["time_utc"]))[:10],
        "start_s": float(row["time_s"]),
        "stop_s": float(row["stop_s"]),
        "confidence": f"{row['confidence']:.2f}",
    }


def extremes_of(programme: Programme) -> list[dict[str, Any]]:
    """Per channel the highest (and lowest, where it matters) sample of any recorder at its own rate, and whose it is."""
    settings = programme.settings
    found = list_extremes(programme.folder, [name for name, _ in _EXTREMES]).set_index("base")
    out = []
    for name, with_low in _EXTREMES:
        if name not in found.index:
            continue
        row, unit = found.loc[name], display_unit(name, settings)
        unit = None if unit == "1" else unit
        high, low = (float(shown(float(row[end]), name, settings)) for end in ("high", "low"))
        entry = meaning_of(name)
        out.append(
            {
                "channel": name,
                "label": name.replace("_", " "),
                "what": entry.meaning if entry else "",
                "unit": unit,
                "high": number(high, unit),
                "high_value": clean(high),
                "high_sortie": row["high_sortie"],
                "low": number(low, unit) if with_low else None,
                "low_sortie": row["low_sortie"] if with_low else None,
                "sorties": int(row["sorties"]),
            }
        )
    return out
