"""How a sensor finding names its channel and its place, the same way in every check."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from ...shared.circle import within_turn
from ...shared.recording import Column, Floats, Track
from ...shared.vocabulary import ChannelMeaning, meaning_of


def number_columns(track: Track) -> Iterator[tuple[Column, ChannelMeaning]]:
    """Recorded numeric columns the vocabulary knows; computed ones are left to their inputs."""
    for column in track.columns.values():
        entry = meaning_of(column.name)
        if entry is not None and not column.is_text and not column.derived_from:
            yield column, entry


def channel_facts(track: Track, column: Column, **more: Any) -> dict[str, Any]:
    """Facts every finding about one channel carries."""
    return {"track": track.name, "channel": column.name, "header": column.source_name, **more}


def channel_where(track: Track, column: Column, row: int | None = None) -> str:
    """File and header a finding points at, with the line when one is meant."""
    file = track.sources[0].file if track.sources else track.name
    return f"{file} {column.source_name}" + (f" line {row}" if row is not None else "")


def step_of(column: Column) -> float:
    """The recorder's resolution in SI units: as stated, else the smallest difference seen; 0 if constant."""
    if column.step is not None and column.step > 0:
        return float(column.step)
    known = np.unique(column.values[np.isfinite(column.values)])
    return float(np.diff(known).min()) if len(known) > 1 else 0.0


def is_circular(entry: ChannelMeaning) -> bool:
    """True for angles that go on from their largest value at zero."""
    return entry.reduction == "circular" and entry.kind == "angle"


def differences(values: Floats, others: Floats, circular: bool) -> Floats:
    """values - others, for angles the short way round (radians)."""
    gap = values - others
    return within_turn(gap + np.pi, 2 * np.pi) - np.pi if circular else gap
