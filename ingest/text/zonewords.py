"""Zones by their usual abbreviation, only those that mean one offset wherever they are used.

American ones as RFC 5322, 4.3 (obs-zone) defines them; the others as the time zone database prints them for the
zones named. Not here, because they mean several: IST, BST, CST of China, GST, AMT, ECT, SST ... - these are a question.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_HOURS: dict[str, float] = {
    "est": -5, "edt": -4, "mst": -7, "mdt": -6, "pst": -8, "pdt": -7, "cdt": -5,
    "akst": -9, "akdt": -8, "hst": -10,  # America/Anchorage, Pacific/Honolulu
    "wet": 0, "west": 1, "cet": 1, "cest": 2, "mez": 1, "mesz": 2, "eet": 2, "eest": 3,  # Lisbon, Berlin, Athens
    "aest": 10, "aedt": 11, "acst": 9.5, "acdt": 10.5, "awst": 8, "nzst": 12, "nzdt": 13,  # Sydney, Adelaide, Perth, Auckland
    "jst": 9, "kst": 9, "sast": 2, "msk": 3, "nst": -3.5, "ndt": -2.5,  # Tokyo, Seoul, Johannesburg, Moscow, St. John's
}  # fmt: skip
ZONE_WORDS_S = {word: hours * 3600.0 for word, hours in _HOURS.items()}
_OFFSET = re.compile(r"(?i)\b(?:utc|gmt)\s*([+-])\s*(\d{1,2})(?::?(\d{2}))?\b")


def offset_of_words(words: Iterable[str]) -> float | None:
    """Seconds from UTC of the one zone word among the words; None for none or several."""
    found = {ZONE_WORDS_S[word] for word in words if word in ZONE_WORDS_S}
    return found.pop() if len(found) == 1 else None


def offset_in_text(text: str) -> float | None:
    """Seconds from UTC of 'UTC+2' or 'GMT-03:30' anywhere in a text; None where there is none."""
    match = _OFFSET.search(text)
    if match is None or int(match[2]) > 14:
        return None
    size = int(match[2]) * 3600.0 + int(match[3] or 0) * 60.0
    return -size if match[1] == "-" else size
