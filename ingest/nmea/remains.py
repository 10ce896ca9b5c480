"""What a file of sentences holds besides good ones: damage, other types, text, binary bytes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ..lines import DroppedLines, name_lines
from .sentences import Sentences, code_of

_TEXT = bytes(range(32, 127)) + b"\t\r\n"


@dataclass(frozen=True, slots=True, eq=False)
class Remains:
    """Everything that gave no row, counted.

    used, unused: whole sentences by type or address. cut: the file ends inside a sentence.
    binary, zeros: bytes that are not text, outside whole sentences. text_lines: readable lines without any sentence.
    """

    used: dict[str, int]
    unused: dict[str, int]
    failed_lines: list[int]
    unsealed_lines: list[int]
    cut: int | None
    glued: int
    glued_lines: list[int]
    binary: int
    binary_lines: list[int]
    zeros: int
    text_lines: int
    text_numbers: list[int]
    dropped: DroppedLines

    def findings(self) -> list[Finding]:
        """One Finding for each kind of remains that is there."""
        out = []

        def note(code: str, text: str, lines: list[int], level: str = "note", count: int | None = None) -> None:
            if lines:
                out.append(Finding(code, text, level, name_lines(lines), len(lines) if count is None else count))  # type: ignore[arg-type]

        note("CHECKSUM_FAIL", "the checksum is wrong; the sentences were dropped", self.failed_lines, "doubt")
        note("NO_CHECKSUM", "no checksum: the sentences may be cut and were dropped", self.unsealed_lines, "doubt")
        note("TRUNCATED_LAST_LINE", "the file ends inside a sentence", [self.cut] if self.cut else [])
        note("GLUED_SENTENCES", "several sentences on one line were separated", self.glued_lines, count=self.glued)
        note(
            "BINARY_BYTES",
            f"{self.binary} bytes that are not text, and the sentences they fell into, were skipped",
            self.binary_lines,
            count=self.binary,
        )
        note("PREAMBLE_SKIPPED", "readable lines without a sentence were left out", self.text_numbers)
        if self.zeros:
            out.append(Finding("NUL_BYTES", f"{self.zeros} zero bytes removed", "doubt", None, self.zeros))
        if self.unused:
            kinds = ", ".join(f"{name} {count}" for name, count in sorted(self.unused.items()))
            total = sum(self.unused.values())
            out.append(Finding("UNKNOWN_SENTENCE", f"not used: {kinds}", "note", None, total, facts=dict(self.unused)))
        return out


def find_remains(sentences: Sentences, used: Sequence[str]) -> Remains:
    """Account for every sentence and every byte between sentences."""
    codes = [code_of(name) for name in used]
    known = sentences.good & np.isin(sentences.formatter, codes)
    unused = Counter(sentences.address(i) for i in np.flatnonzero(sentences.good & ~known).tolist())
    dropped = DroppedLines()
    failed: list[int] = np.flatnonzero(sentences.sealed & ~sentences.good).tolist()
    unsealed: list[int] = np.flatnonzero(~sentences.sealed).tolist()
    cut = _cut(sentences)
    for i in failed:
        dropped.add(int(sentences.line[i]), "checksum wrong", sentences.text(i))
    between = _between(sentences)
    torn = {int(i) for i in unsealed if _count_binary(sentences.text(i))}
    for i in unsealed:
        reason = "bytes that are not text" if i in torn else "file ends here" if i == cut else "no checksum"
        dropped.add(int(sentences.line[i]), reason, sentences.text(i))
    glued = np.flatnonzero(np.diff(sentences.line) == 0) + 1
    return Remains(
        used={name: len(sentences.of_type(name)) for name in used if len(sentences.of_type(name))},
        unused=dict(unused),
        failed_lines=sentences.line[failed].tolist(),
        unsealed_lines=[int(sentences.line[i]) for i in unsealed if i != cut and i not in torn],
        cut=None if cut is None or cut in torn else int(sentences.line[cut]),
        glued=len(glued),
        glued_lines=sentences.line[glued].tolist(),
        binary=between.binary + sum(_count_binary(sentences.text(i)) for i in torn),
        binary_lines=between.binary_lines + [int(sentences.line[i]) for i in torn],
        zeros=between.zeros,
        text_lines=len(between.text_lines),
        text_numbers=between.text_lines,
        dropped=dropped,
    )


def _cut(sentences: Sentences) -> int | None:
    """Index of the last sentence when the file ends inside it, before its checksum is complete."""
    last = len(sentences.start) - 1
    if last < 0 or sentences.sealed[last]:
        return None
    rest = sentences.content[sentences.stop[last] :]
    return last if len(rest) <= 2 and not rest.strip(b"*0123456789ABCDEFabcdef") else None


def _count_binary(piece: bytes) -> int:
    return len(piece.translate(None, _TEXT))


@dataclass(slots=True)
class _Between:
    binary: int
    binary_lines: list[int]
    zeros: int
    text_lines: list[int]


def _between(sentences: Sentences) -> _Between:
    """Bytes outside all sentences: zeros, binary runs, lines of readable text.

    Readable text on a line that also holds a sentence (a logger's own stamp before or behind it)
    belongs to that line and is not counted.
    """
    out = _Between(0, [], 0, [])
    content = sentences.content
    begin = np.concatenate([[0], sentences.after])
    end = np.concatenate([sentences.start - 1, [len(content)]])
    after_line = np.concatenate([[1], sentences.line])
    for index in _uncommon(content, begin, end):
        gap = content[begin[index] : end[index]]
        _account(out, gap, int(after_line[index]), opens=index > 0, closes=index < len(sentences.start))
    return out


def _uncommon(content: bytes, begin: NDArray[np.int64], end: NDArray[np.int64]) -> list[int]:
    """Gaps that are more than one line end; the usual ones are told without looking at each in turn."""
    length = end - begin
    buffer = np.frombuffer(content + b"\0\0", dtype=np.uint8)
    first, second = buffer[begin], buffer[begin + 1]
    usual = (length == 0) | ((length == 1) & np.isin(first, (10, 13)))
    usual |= (length == 2) & (first == 13) & (second == 10)
    found: list[int] = np.flatnonzero(~usual).tolist()
    return found


def _account(out: _Between, gap: bytes, line: int, *, opens: bool, closes: bool) -> None:
    zeros = gap.count(0)
    if zeros and not gap.strip(b"\0\r\n \t"):
        out.zeros += zeros
        return
    strange = _count_binary(gap)
    if strange:
        out.binary += strange
        out.binary_lines.append(line + gap[: len(gap) - len(gap.lstrip(b"\r\n"))].count(b"\n"))
        return
    pieces = gap.split(b"\n") if b"\n" in gap else gap.split(b"\r")
    for number, piece in enumerate(pieces):
        beside = (opens and number == 0) or (closes and number == len(pieces) - 1)
        if piece.strip() and not beside:
            out.text_lines.append(line + number)
