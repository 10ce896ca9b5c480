"""What is decided and found while one text file is read: the ledger and the findings in the making."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from ...shared.findings import Finding, Level

TEXT_LIMIT = 200
LISTED_LINES = 1000


@dataclass
class Notes:
    """Collects findings, decisions with their evidence, and the account of every line of one file."""

    file: str
    findings: list[Finding] = field(default_factory=list)
    decisions: dict[str, Any] = field(default_factory=dict)
    evidence: dict[str, str] = field(default_factory=dict)
    not_rows: Counter[str] = field(default_factory=Counter)
    dropped: list[list[Any]] = field(default_factory=list)
    rows_dropped: int = 0
    rows_repaired: int = 0
    lines: int = 0
    rows_beside: int = 0  # rows of the file more (or fewer) than its tracks list: one value a row, one time a column

    def decide(self, key: str, value: Any, because: str) -> None:
        """Keep a decision and the sentence that says why."""
        self.decisions[key] = value
        self.evidence[key] = because

    def find(
        self,
        code: str,
        text: str,
        *,
        level: Level = "note",
        where: str | None = None,
        count: int = 1,
        **facts: Any,
    ) -> None:
        """Add a finding."""
        self.findings.append(Finding(code, text, level, where, count, facts=facts))

    def drop(self, line: int, reason: str, text: str) -> None:
        """Account for a dropped line; the first 1000 are listed with their text, all are counted."""
        self.rows_dropped += 1
        if len(self.dropped) < LISTED_LINES:
            self.dropped.append([line, reason, text[:TEXT_LIMIT]])

    def ledger(self, rows_out: int) -> dict[str, Any]:
        """The account as plain JSON values."""
        return {
            "rows_in": self.lines,
            "rows_out": rows_out + self.rows_beside,
            "rows_dropped": self.rows_dropped,
            "rows_repaired": self.rows_repaired,
            "not_rows": dict(self.not_rows),
            "dropped_lines": self.dropped,
            **self.decisions,
            "evidence": dict(self.evidence),
        }


def lines_text(lines: Iterable[int], limit: int = 8) -> str:
    """'line 5', 'lines 5-6', 'lines 5, 9, 12 and 40 more' for line numbers in rising order."""
    numbers = sorted(int(line) for line in lines)
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    if len(numbers) > 1 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"lines {numbers[0]}-{numbers[-1]}"
    shown = ", ".join(str(n) for n in numbers[:limit])
    rest = len(numbers) - limit
    return f"lines {shown} and {rest} more" if rest > 0 else f"lines {shown}"
