"""Column names and units from header text."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from ...shared.units import find_unit
from .layout import Layout
from .notes import Notes

_BRACKETED = re.compile(r"^(.*?)\s*[\[({]\s*([^\])}]*?)\s*[\])}]\s*$")
_QUALIFIERS = frozenset(
    [
        "mag",
        "true",
        "magnetic",
        "ind",
        "left",
        "right",
        "l",
        "r",
        "avg",
        "mean",
        "raw",
        "std",
        "gps",
        "set",
        "act",
        "cmd",
        "ref",
        "x",
        "y",
        "z",
    ]
)
_WORDS = re.compile(r"[A-Z]?[a-zµ°%]+|[A-Z]+(?![a-z])|\d+|[°%]")
# spellings of the unit table that are also everyday words or letters in names
_NEVER = frozenset(["1", "-", "none", "--", "bool", "flag", "ratio", "0/1", "gs", "min", "mi", "sm", "n", "gn", "h"])
_ONE_LETTER = {
    "c": None,
    "f": None,
    "m": None,
    "s": None,
    "g": None,
    "k": ("temp", "oat", "tat", "sat"),
    "l": ("fuel", "tank", "qty", "oil_qty", "used", "quantity", "rem"),
    "v": ("volt", "bus", "batt", "bat", "alt", "main", "ess"),
    "a": ("amp", "current", "bus", "batt", "bat", "alt"),
    "w": ("power",),
}
_WHOLE_NAME_UNITS = frozenset(("rpm", "ms", "us", "ns"))


@dataclass(frozen=True, slots=True)
class Heading:
    """One column's name as written (made unique), its unit as written, and the bare name it had."""

    header: str
    unit: str | None
    written: str


def read_headings(layout: Layout, width: int, notes: Notes, more: Sequence[str] = ()) -> list[Heading]:
    """One heading per field of the rows; fields beyond the header are '(unnamed field N)'.

    more: names of the last columns, from a later header of the file.
    """
    names = list(layout.names[: width - len(more)])
    names += [""] * (width - len(more) - len(names)) + list(more)
    written = names + [""] * (width - len(names))
    titles = _unique(written, notes)
    headings = []
    for i, (name, title) in enumerate(zip(written, titles, strict=True)):
        cell = layout.units[i].strip("[]() ") if i < len(layout.units) else ""
        headings.append(Heading(title, cell or unit_in_name(name), name))
    return headings


def _unique(written: Sequence[str], notes: Notes) -> list[str]:
    """Names made unique: those that repeat (also when only their case differs) get '(column N)'."""
    folded: dict[str, list[int]] = {}
    for i, name in enumerate(written):
        folded.setdefault(name.casefold(), []).append(i)
    titles = [name or f"(unnamed field {i + 1})" for i, name in enumerate(written)]
    repeats: list[int] = []
    cases: list[int] = []
    for fold, places in folded.items():
        if not fold or len(places) < 2:
            continue
        spelled = {written[i] for i in places}
        (repeats if len(spelled) == 1 else cases).extend(places[1:])
        for i in places:
            titles[i] = f"{written[i]} (column {i + 1})"
    _report(repeats, cases, written, notes)
    return titles


def _report(repeats: list[int], cases: list[int], written: Sequence[str], notes: Notes) -> None:
    for code, places, what in (
        ("DUPLICATE_COLUMN", repeats, "the same name as one before"),
        ("CASE_COLLISION", cases, "a name that differs from one before only by case"),
    ):
        if places:
            numbers = sorted(i + 1 for i in places)
            names = sorted({written[i] for i in places})
            notes.find(
                code,
                f"columns {', '.join(map(str, numbers[:20]))} have {what} ({', '.join(names[:10])}); numbered by column",
                where=_columns_text(numbers),
                count=len(places),
            )


def _columns_text(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return f"column {numbers[0]}"
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"columns {numbers[0]}-{numbers[-1]}"
    return "columns " + ", ".join(str(n) for n in numbers[:20])


LONGEST_NAME = 300  # characters; a longer one is no name, and the pattern is slow on it


def unit_in_name(name: str) -> str | None:
    """The unit a header carries in brackets or at its end ('alt_ft', 'oil_temp(C)'), as written; None: none."""
    if len(name) > LONGEST_NAME:
        return None
    bracketed = _BRACKETED.match(name.strip())
    if bracketed:
        inside = bracketed.group(2).strip()
        if find_unit(inside) is not None:
            return inside
        square = name.strip().endswith("]")
        if inside and inside.lower() not in _QUALIFIERS and (square or "/" in inside or "°" in inside):
            return inside
        name = bracketed.group(1)
    return _unit_suffix(name)


def _unit_suffix(name: str) -> str | None:
    parts = [p for p in re.split(r"[_\s.\-]+", name.strip()) if p]
    if len(parts) == 1:
        if parts[0].lower() in _WHOLE_NAME_UNITS:
            return parts[0]
        parts = _WORDS.findall(parts[0])
        if len(parts) < 2 or len(parts[-1]) < 2:
            return None
    spelled = next((p for p in parts if p.lower() == "rpm"), None)
    if spelled or len(parts) < 2:
        return spelled
    for size in (3, 2):
        if len(parts) > size:
            tail = parts[-size:]
            for joined in ("/".join(tail), " ".join(tail), "".join(tail)):
                if len(joined) > 3 and find_unit(joined) is not None:
                    return joined
    last = parts[-1].lower()
    if last in _NEVER or find_unit(last) is None:
        return None
    if len(last) > 1 or last in "°%":
        return parts[-1]
    needed = _ONE_LETTER.get(last, ())
    rest = "_".join(parts[:-1]).lower()
    if last == "m" and any(word in rest for word in ("hdg", "head", "crs", "course", "trk", "track")):
        return None  # magnetic, not metres
    return parts[-1] if needed is None or any(word in rest for word in needed) else None


def fingerprint(layout: Layout, fields: int, lines: Sequence[str]) -> str:
    """Same recorder layout, same text: names and units as the file writes them (in any order), delimiter, and the
    words of the preamble without digits. `lines`: the first lines of the file."""
    preamble = [re.sub(r"\d+", "#", " ".join(lines[i].split()))[:12] for i in layout.preamble if lines[i].strip()]
    units = [*layout.units, *[""] * len(layout.names)]
    columns = sorted(f"{name}|{unit}" for name, unit in zip(layout.names, units, strict=False))
    parts = [layout.delimiter, str(fields), *columns, *preamble]
    return "text-" + hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
