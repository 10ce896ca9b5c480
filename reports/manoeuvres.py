"""A manoeuvre's facts in display units, and in one line for people."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from ..shared.settings import Settings
from ..shared.units import from_si
from .display import clean, number
from .listing import utc_text

if TYPE_CHECKING:
    from ..store.programme import Programme

Facts = Mapping[str, Any]

# how a fact's name ends -> kind of quantity (a key of [display]) and what follows its unit; the first that fits
_ENDINGS: tuple[tuple[str, str, str], ...] = (
    ("entry_rate", "speed", "/s"),
    ("mean_rate", "speed", "/s"),
    ("turn_rate", "angular_rate", ""),
    ("distance_m", "length", ""),
    ("lateral_m", "length", ""),
    ("radius_m", "length", ""),
    ("_m", "altitude", ""),
    ("speed", "speed", ""),
    ("airspeed_change", "speed", ""),
    ("airspeed_at_start", "speed", ""),
    ("airspeed_at_peak", "speed", ""),
    ("bank", "angle", ""),
    ("bank_deviation", "angle", ""),
    ("bank_at_peak", "angle", ""),
    ("heading_change", "angle", ""),
    ("direction", "angle", ""),
    ("direction_off_landing", "angle", ""),
)
_PLAIN_UNITS = (
    ("load_factor_per_s", "g/s"),
    ("load_factor_of_bank", "g"),
    ("load_factor_of_turn_rate", "g"),
    ("load_factor", "g"),
    ("_s", "s"),
)


def _is_rate(unit: str) -> bool:
    """Whether a unit is one of something per second that the display has no digits for."""
    return unit.endswith("/s") and unit not in ("m/s", "deg/s", "rad/s")


def manoeuvre_records(programme: Programme, sortie: str | None, kind: str | None) -> list[dict[str, Any]]:
    """One record per manoeuvre: sortie, number, kind, times, what it was found in, facts as value and unit."""
    settings = programme.settings
    return [
        {
            "sortie": row["sortie"],
            "number": int(row["number"]),
            "kind": row["kind"],
            "start_utc": utc_text(row["start_utc"]),
            "end_utc": utc_text(row["stop_utc"]),
            "duration_s": round(float(row["duration_s"]), 3),
            "confidence": clean(float(row["confidence"])),
            "channels": list(row["channels"]),
            "facts": facts_shown(row["kind"], row["facts"], settings),
        }
        for row in programme.manoeuvres(sortie, kind).to_dict("records")
    ]


def facts_shown(kind: str, facts: Facts, settings: Settings) -> dict[str, Any]:
    """Facts in display units, {"value": ..., "unit": ...} where there is a unit; words and counts as they are."""
    return {name: _fact(kind, name, value, settings) for name, value in facts.items()}


def _fact(kind: str, name: str, value: Any, settings: Settings) -> Any:
    if isinstance(value, list):
        return [facts_shown(kind, one, settings) for one in value]
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return value
    if name in ("amplitude", "peak"):  # in the unit of the channel it was found in
        if kind != "phugoid":
            return clean(float(value))
        name = "airspeed"
    for ending, unit in _PLAIN_UNITS:
        if name.endswith(ending):
            return {"value": clean(float(value)), "unit": unit}
    for ending, quantity, after in _ENDINGS:
        if name.endswith(ending):
            unit = settings.display_unit(quantity)
            return {"value": clean(from_si(float(value), unit)), "unit": unit + after}
    return clean(value)


def manoeuvre_text(kind: str, facts: Facts) -> str:
    """What matters of a manoeuvre in one line; facts as `facts_shown` gives them."""
    return _TEXTS.get(kind, _speed_run)(facts)


def _text(facts: Facts, name: str) -> str:
    """'82.0 kt', a dash for what could not be told."""
    value = facts.get(name)
    if isinstance(value, Mapping):
        digits = f"{value['value']:.2f}" if _is_rate(value["unit"]) else number(value["value"], value["unit"])
        return f"{digits} {value['unit']}"
    return "–" if value is None else number(value, None) if isinstance(value, float) else str(value)


def _with_error(facts: Facts, name: str, error: str) -> str:
    """'32.78 ± 0.05': twice the standard error."""
    value, deviation = _plain(facts.get(name)), _plain(facts.get(error))
    if value is None:
        return "–"
    digits = 3 if abs(value) < 1 else 2
    return f"{value:.{digits}f}" + (f" ± {2 * deviation:.{digits}f}" if deviation is not None else "")


def _plain(value: Any) -> float | None:
    return float(value["value"]) if isinstance(value, Mapping) else value


def _turn(f: Facts) -> str:
    return (
        f"{f['side']}, bank {_text(f, 'bank')}, {_text(f, 'load_factor')} ({_text(f, 'load_factor_of_bank')} by the bank), "
        f"{_text(f, 'turn_rate')}, {_text(f, 'airspeed')}"
    )


def _wind_up(f: Facts) -> str:
    speeds = f"{_text(f, 'airspeed_at_start')} to {_text(f, 'airspeed_at_peak')}"
    return f"{f['side']}, to {_text(f, 'peak_load_factor')} at {_text(f, 'load_factor_per_s')}, {speeds}"


def _speed_run(f: Facts) -> str:
    states = ", ".join(f"{name} {f[name]}" for name in ("gear", "flap", "power") if name in f)
    return (
        f"{_text(f, 'start_airspeed')} to {_text(f, 'end_airspeed')} in {_text(f, 'duration_s')}, "
        f"{_text(f, 'air_distance_m')} through the air, height {_text(f, 'height_change_m')}; {states}"
    )


def _oscillation(f: Facts) -> str:
    if f.get("dead_beat"):
        return f"dead beat within {_text(f, 'settled_s')}"
    period = f"period {_with_error(f, 'period_s', 'period_error_s')} s"
    if "lanchester_period_s" in f:
        period += f" (Lanchester {_text(f, 'lanchester_period_s')})"
    damping = f"damping ratio {_with_error(f, 'damping_ratio', 'damping_ratio_error')}"
    peaks = f"{_with_error(f, 'damping_ratio_by_peaks', 'damping_ratio_by_peaks_error')} by peaks"
    return f"{period}, {damping} ({peaks}), {_plain(f.get('cycles'))} cycles"


def _stall(f: Facts) -> str:
    word = "stalled" if f.get("stalled") else "slowed"
    return (
        f"{word} at {_text(f, 'airspeed')}, {_text(f, 'load_factor')}, entry {_text(f, 'entry_rate')}, "
        f"lost {_text(f, 'height_lost_m')}; gear {f.get('gear')}, flap {f.get('flap')}, power {f.get('power')}"
    )


def _sideslip(f: Facts) -> str:
    return f"bank {_text(f, 'bank')}, {_text(f, 'uncoordinated_bank')} of it uncoordinated, {_text(f, 'airspeed')}"


def _pattern(f: Facts) -> str:
    parts = [f"{f['side']} hand"] if f.get("side") else []
    for key, words in (("overhead", "over the touchdown point"), ("abeam", "abeam")):
        if f.get(f"{key}_height_m") is not None:
            parts.append(f"{words} at {_text(f, f'{key}_height_m')}, {_text(f, f'{key}_distance_m')} off")
    return ", ".join([*parts, f"ends in {str(f.get('ends_in')).replace('_', ' ')}"])


_TEXTS: Mapping[str, Callable[[Facts], str]] = {
    "turn": _turn,
    "wind_up_turn": _wind_up,
    "phugoid": _oscillation,
    "short_period": _oscillation,
    "dutch_roll": _oscillation,
    "approach_to_stall": _stall,
    "sideslip": _sideslip,
    "power_off_pattern": _pattern,
    "pattern": _pattern,
    "straight_in": _pattern,
}
