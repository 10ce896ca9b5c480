"""What the files and cards of two flights say differently: recorders, columns, units, resolutions, the card, the clocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from .evidence import Evidence

CARD_KEYS = ("aircraft", "take_off_mass_kg", "take_off_fuel_kg", "cg_m")


@dataclass(frozen=True, slots=True)
class MetadataChange:
    """One thing that differs, in words."""

    what: str
    before: str
    after: str


def metadata_changes(evidence: Evidence, before: str, after: str) -> tuple[MetadataChange, ...]:
    """Differences of what was recorded and how between two flights."""
    return (
        *_recorders(evidence, before, after),
        *_channels(evidence, before, after),
        *_card(evidence.programme.card(before), evidence.programme.card(after)),
        *_movements(evidence, before, after),
    )


def _recorders(evidence: Evidence, before: str, after: str) -> Iterator[MetadataChange]:
    marks = []
    for name in (before, after):
        ledger = evidence.programme.ledger(name)
        marks.append(
            {f"{row['adapter']} {row['instrument']}" for row in ledger.to_dict("records") if row["instrument"]}
        )
    gone, come = sorted(marks[0] - marks[1]), sorted(marks[1] - marks[0])
    if gone or come:
        yield MetadataChange(
            "layout of recorders (reader and fingerprint)", ", ".join(gone) or "–", ", ".join(come) or "–"
        )


def _channels(evidence: Evidence, before: str, after: str) -> Iterator[MetadataChange]:
    tables = [_recorded(evidence.programme.channels(name)) for name in (before, after)]
    for channel in sorted(set(tables[0]) | set(tables[1])):
        old, new = tables[0].get(channel), tables[1].get(channel)
        if old is None or new is None:
            yield MetadataChange(
                f"channel {channel}",
                "not recorded" if old is None else "recorded",
                "not recorded" if new is None else "recorded",
            )
            continue
        for key, words in (("header", "header"), ("unit_as_written", "unit as written")):
            if _text(old[key]) != _text(new[key]):
                yield MetadataChange(f"{words} of {channel}", _text(old[key]), _text(new[key]))
        if _differs(old["step"], new["step"]):
            yield MetadataChange(
                f"resolution of {channel} [{old['unit'] or 1}]", f"{old['step']:.3g}", f"{new['step']:.3g}"
            )


def _recorded(channels: pd.DataFrame) -> dict[str, dict[str, Any]]:
    own = channels[(channels["track"] != "frame") & (channels["header"] != "(derived)") & (channels["valid"] > 0)]
    return {str(row["channel"]): {str(k): v for k, v in row.items()} for row in own.to_dict("records")}


def _differs(old: Any, new: Any) -> bool:
    """Whether two resolutions differ by more than half: the smallest step seen depends on what was flown."""
    if old is None or new is None or old != old or new != new or not old or not new:
        return False
    return bool(not 2 / 3 < new / old < 3 / 2)


def _card(old: Any, new: Any) -> Iterator[MetadataChange]:
    for key in CARD_KEYS:
        if old.get(key) != new.get(key):
            yield MetadataChange(f"test card: {key}", _text(old.get(key)), _text(new.get(key)))


def _text(value: Any) -> str:
    if value is None or value != value or value == "":
        return "–"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _movements(evidence: Evidence, before: str, after: str) -> Iterator[MetadataChange]:
    """Travel times of gear and flap that differ by more than a second and a fifth."""
    for kind in ("gear_up", "gear_down", "flap_change"):
        times = []
        for name in (before, after):
            events = evidence.programme.events(name, kind)
            recorded = events[events["confidence"] >= 1.0] if len(events) else events
            travel = [f.get("travel_s") for f in recorded.get("facts", ()) if f and f.get("travel_s")]
            times.append(float(pd.Series(travel).median()) if travel else None)
        old, new = times
        if old and new and abs(new - old) > max(1.0, 0.2 * old):
            yield MetadataChange(f"travel time of {kind} [s]", f"{old:.1f}", f"{new:.1f}")
