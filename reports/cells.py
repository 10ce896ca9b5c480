"""Values as cells: plain JSON values, times as text, nothing a spreadsheet would run."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from typing import Any

from .display import clean

# what a spreadsheet takes for the beginning of a formula
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def utc_text(moment: dt.datetime | None) -> str | None:
    """ISO 8601 with milliseconds and Z."""
    if moment is None or moment != moment:
        return None
    return moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def plain(value: Any) -> Any:
    """A value as JSON knows it: times as ISO text, numbers without NaN."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, dt.datetime):
        return utc_text(value)
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    return clean(value)


def flatten(value: Any, prefix: str = "") -> dict[str, Any]:
    """Nested mappings as one level: {'a': {'b': 1}} -> {'a.b': 1}; lists as JSON text."""
    if not isinstance(value, Mapping):
        return {prefix: json.dumps(value, ensure_ascii=False) if isinstance(value, list) else value}
    out: dict[str, Any] = {}
    for key, inner in value.items():
        out.update(flatten(inner, f"{prefix}.{key}" if prefix else str(key)))
    return out


def harmless(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: such a text gets an apostrophe in front; numbers stay numbers."""
    if isinstance(value, str) and value.startswith(_FORMULA_SIGNS):
        return "'" + value
    return value
