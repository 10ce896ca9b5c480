"""Which numbers of a sheet changed between two makings of it: after a new calibration, new criteria, a new flight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Change:
    """One number before and after, in display units; None where it is not there."""

    sheet: str
    table: str
    row: str
    column: str
    unit: str | None
    before: float | None
    after: float | None
    within_band: bool  # the value after lies in the band told before


def changes_between(before: dict[str, Any], after: dict[str, Any], *, least_share: float = 0.001) -> tuple[Change, ...]:
    """Numbers of two contexts (present.context_of) of one reduction that differ by more than a share of themselves.

    Rows are the same when their words are and they are the n-th such of their table.
    """
    old, new = dict(_numbers(before)), dict(_numbers(after))
    changes = []
    for key in dict.fromkeys((*old, *new)):
        one, other = old.get(key), new.get(key)
        a, b = (one or {}).get("value"), (other or {}).get("value")
        if a is None and b is None:
            continue
        if a is not None and b is not None and abs(b - a) <= least_share * max(abs(a), abs(b)):
            continue
        sheet, table, row, column, unit = key
        changes.append(Change(sheet, table, row, column, unit, a, b, _inside(one, b)))
    return tuple(changes)


def _inside(before: dict[str, Any] | None, value: float | None) -> bool:
    if before is None or value is None or before.get("low") is None or before.get("high") is None:
        return False
    return bool(before["low"] <= value <= before["high"])


def _numbers(context: dict[str, Any]) -> Iterator[tuple[tuple[str, str, str, str, str | None], dict[str, Any]]]:
    for table in context["tables"]:
        seen: dict[str, int] = {}
        for row in table["rows"]:
            words = " ".join(cell["value"] for cell in row if isinstance(cell["value"], str)) or "row"
            seen[words] = seen.get(words, 0) + 1
            name = words if seen[words] == 1 else f"{words} ({seen[words]})"
            for column, cell in zip(table["columns"], row, strict=True):
                if isinstance(cell["value"], (int, float)):
                    yield (context["name"], table["title"], name, column["head"], column["unit"]), cell
