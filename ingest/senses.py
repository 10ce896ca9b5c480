"""Which way round a channel is written, where its name does not say: told by the samples themselves."""

from __future__ import annotations

import dataclasses

import numpy as np

from ..shared.findings import Finding
from ..shared.recording import Column
from .words import split_words

STANDING_M_S = 8.0  # slower than any take-off run's end: on the ground
STANDING_ROWS = 10


def settle_senses(columns: dict[str, Column], where: str) -> list[Finding]:
    """Turn over, in `columns`, what is upside down by the vocabulary; one finding for each decision."""
    return [*_load_factor(columns, where), *_gear(columns, where)]


def _load_factor(columns: dict[str, Column], where: str) -> list[Finding]:
    """Level flight reads +1 here; a recorder whose axis points down writes -1."""
    column = columns.get("normal_load_factor")
    if column is None or not np.isfinite(column.values).any():
        return []
    middle = float(np.nanmedian(column.values))
    if not -1.3 <= middle <= -0.7:
        return []
    columns["normal_load_factor"] = dataclasses.replace(column, values=-column.values)
    text = f"{column.source_name} reads {middle:.2f} most of the time: its axis points down; the sign was changed"
    return [_inferred(column, text, where)]


def _gear(columns: dict[str, Column], where: str) -> list[Finding]:
    """A column called only 'gear' does not say whether 1 is down: a standing aircraft has it down."""
    column = columns.get("gear_position")
    if column is None or {"down", "dn", "up"} & set(split_words(column.source_name)):
        return []
    speed = columns.get("indicated_airspeed") or columns.get("ground_speed")
    standing = speed.values < STANDING_M_S if speed is not None else np.zeros(len(column.values), dtype=bool)
    known = column.values[standing & np.isfinite(column.values)]
    if len(known) < STANDING_ROWS:
        text = f"{column.source_name} does not say which of its ends is down; taken as 1 down, 0 up"
        question = f"is the gear down at {column.source_name} = 1?"
        return [dataclasses.replace(_inferred(column, text, where, question=question), level="doubt")]
    if float(np.median(known)) >= 0.5:
        return []
    columns["gear_position"] = dataclasses.replace(column, values=1.0 - column.values)
    text = f"{column.source_name} stands at 0 while the aircraft stands: 0 is down; turned over"
    return [_inferred(column, text, where)]


def _inferred(column: Column, text: str, where: str, **facts: object) -> Finding:
    facts |= {"header": column.source_name, "channel": column.name}
    return Finding("CHANNEL_INFERRED", text, "note", where, facts=facts)
