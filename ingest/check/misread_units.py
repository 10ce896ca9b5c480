"""Numbers that no aeroplane shows in the unit stated and every one shows in the unit it is mixed up with."""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Column, Floats, Track
from ...shared.vocabulary import ChannelMeaning
from .confused_units import confusions_of
from .places import channel_facts, channel_where, number_columns

MOST, FEW = 0.95, 0.05  # shares of samples inside the plausible range, read in the other unit and in the stated one
LEAST_SAMPLES = 30
HOT_K = 273.15 + 42.0  # air met in flight, or the ground it is parked on, is cooler (common practice, no source)


def find_misread_units(track: Track) -> list[Finding]:
    """UNIT_CHANGE_SUSPECTED where the stated unit puts nearly all samples out of the plausible range and another one none;
    for parts of one called per cent; for outside air in Fahrenheit called Celsius. Nothing is altered."""
    out = []
    for column, entry in number_columns(track):
        known = column.values[np.isfinite(column.values) & (column.values != 0)]
        if column.derived_from or len(known) < LEAST_SAMPLES:
            continue
        words = _by_range(column, entry, known) or _by_parts(column, entry, known) or _by_heat(column, entry, known)
        if words is not None:
            text = f"{track.name}: {column.source_name} fits {words}; nothing was altered"
            facts = channel_facts(track, column, confusion=words)
            out.append(Finding("UNIT_CHANGE_SUSPECTED", text, "doubt", channel_where(track, column), facts=facts))
    return out


def _share_inside(values: Floats, entry: ChannelMeaning) -> float:
    return float(np.mean((values >= entry.low) & (values <= entry.high)))


def _by_range(column: Column, entry: ChannelMeaning, known: Floats) -> str | None:
    if _share_inside(known, entry) > FEW:
        return None
    fitting = [
        one
        for one in confusions_of(entry.kind, column.source_unit)
        if column.source_unit
        and _share_inside(np.array([one.undo(v) for v in known[:: max(1, len(known) // 500)]]), entry) > MOST
    ]
    return fitting[0].words if len(fitting) == 1 else None


def _by_parts(column: Column, entry: ChannelMeaning, known: Floats) -> str | None:
    """A lever that never leaves the first hundredth of its way, and moves over half of that."""
    if entry.kind != "ratio" or column.source_unit != "%" or known.min() < 0:
        return None
    return "% stated, parts of one written" if known.max() <= 0.0102 and np.ptp(known) > 0.005 else None


def _by_heat(column: Column, entry: ChannelMeaning, known: Floats) -> str | None:
    if entry.name != "outside_air_temperature" or column.source_unit != "degC" or float(np.median(known)) < HOT_K:
        return None
    read = (known - 273.15 - 32.0) / 1.8
    return "degC stated, degF written" if float(np.mean(read < 42.0)) > MOST else None
