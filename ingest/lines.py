"""How adapters name the lines they speak of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

TEXT_SHOWN = 200
LINES_KEPT = 1000
_RUNS_SHOWN = 8


def name_lines(lines: Iterable[int]) -> str:
    """'line 5', 'lines 1-3, 7'; at most eight runs are written out."""
    runs: list[list[int]] = []
    for line in sorted(set(lines)):
        if runs and line == runs[-1][1] + 1:
            runs[-1][1] = line
        else:
            runs.append([line, line])
    shown = [str(a) if a == b else f"{a}-{b}" for a, b in runs[:_RUNS_SHOWN]]
    if len(runs) > _RUNS_SHOWN:
        shown.append(f"and {len(runs) - _RUNS_SHOWN} more")
    one = len(runs) == 1 and runs[0][0] == runs[0][1]
    return f"line{'' if one else 's'} {', '.join(shown)}"


@dataclass(slots=True)
class DroppedLines:
    """Lines left out, with the reason; the first thousand are kept word for word."""

    count: int = 0
    entries: list[tuple[int, str, str]] = field(default_factory=list)

    def add(self, line: int, reason: str, text: bytes | str) -> None:
        """Note one dropped line (counted from 1), why, and what it said."""
        self.count += 1
        if len(self.entries) < LINES_KEPT:
            shown = text.decode("latin-1") if isinstance(text, bytes) else text
            self.entries.append((line, reason, shown[:TEXT_SHOWN]))

    def as_json(self) -> list[list[int | str]]:
        """[line, reason, text] of every kept entry, in file order."""
        return [list(entry) for entry in sorted(self.entries)]
