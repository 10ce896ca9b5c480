"""Columns called CH1, CH2 ... whose meaning stands in a list above the table: 'CH1;IAS;kt'."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from .layout import Layout, is_unit_word
from .notes import Notes

_OPAQUE = re.compile(
    r"(?i)^(?:ch|chan|channel|kanal|ai|an|in|input|sig|signal|var|col|column|sensor|p|c)?[ _#.-]?\d{1,3}$"
)
_PARTS = re.compile(r"[;,\t|=]|:\s|\s{2,}")


def name_channels(layout: Layout, lines: Sequence[str], notes: Notes) -> Layout:
    """The layout with the names and units the list above the table gives to numbered columns; unchanged without one."""
    opaque = {name.casefold(): name for name in layout.names if _OPAQUE.match(name)}
    listed: dict[str, tuple[str, str]] = {}
    for i in layout.preamble:
        parts = [part.strip().strip('"') for part in _PARTS.split(lines[i].strip().lstrip("#%;/ "))]
        name = opaque.get(parts[0].casefold())
        if name is not None and name not in listed and len(parts) > 1 and _is_label(parts[1]):
            unit = next((part.strip("[]()") for part in parts[2:] if part and is_unit_word(part)), "")
            listed[name] = (parts[1], unit)
    labels = [label for label, _ in listed.values()]
    if len(listed) < 2 or len(listed) < len(opaque) or len(set(labels)) < len(labels):
        return layout
    notes.decide("channel_names", {name: label for name, (label, _) in listed.items()}, "the list above the table")
    units = [*layout.units, *[""] * (len(layout.names) - len(layout.units))]
    named = [listed.get(name, (name, unit)) for name, unit in zip(layout.names, units, strict=False)]
    return replace(layout, names=tuple(label for label, _ in named), units=tuple(unit for _, unit in named))


def _is_label(text: str) -> bool:
    return bool(re.search(r"[^\W\d]", text)) and len(text) <= 60
