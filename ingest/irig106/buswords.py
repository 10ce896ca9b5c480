"""Data fields of ARINC 429 words as counts: binary in several forms, decimal digits, some bits of a word.

Bits, sign/status matrix and digits: ARINC 429 part 1; binary formats (BFM) and bit masks (MBM): IRIG 106 chapter 9.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
_NORMAL, _MINUS = 3, 3  # of a binary word: normal operation; of a decimal word: the sign
_DATA_BITS, _DATA_AT = 19, 10  # bits 29 to 11
_DIGITS = ((0, 15, 1), (4, 15, 10), (8, 15, 100), (12, 15, 1000), (16, 7, 10_000))  # place, mask, worth


def read_field(words: Integers, form: str, mask: str | None) -> Floats | None:
    """Counts of words, (n,), NaN where a word is not valid; None where the mask names no one stretch of bits.

    form: the binary format's code, '' for two's complement; mask: binary digits of the whole word or its data field,
    most significant first, None for the data field.
    """
    matrix = words >> 29 & 3
    if form == "BCD":
        return np.where((matrix == 0) | (matrix == _MINUS), _decimal(words) * np.where(matrix == _MINUS, -1, 1), np.nan)
    place = _place(mask)
    if place is None:
        return None
    at, size = place
    counts = _signed(words >> at & (1 << size) - 1, form, size)
    return np.where(matrix == _NORMAL, counts.astype(np.float64), np.nan)


def _place(mask: str | None) -> tuple[int, int] | None:
    """(lowest bit, number of bits) of a mask."""
    if mask is None or mask.upper() in ("", "FW") or set(mask) == {"1"}:  # FW: full word
        return _DATA_AT, _DATA_BITS
    stretch = re.fullmatch(r"0*(1+)(0*)", mask)
    if stretch is None or len(mask) not in (_DATA_BITS, 32):
        return None
    return len(stretch[2]) + (_DATA_AT if len(mask) == _DATA_BITS else 0), len(stretch[1])


def _signed(counts: Integers, form: str, size: int) -> Integers:
    top = 1 << size - 1
    if form in ("INT", "UNS") or form.startswith("UNS"):
        return counts
    if form in ("SIG", "SIM"):  # sign and magnitude: plus is 0, or 1
        minus = (counts & top != 0) == (form == "SIG")
        return np.where(minus, -(counts & top - 1), counts & top - 1)
    if form == "ONE":
        return np.where(counts & top, counts - (1 << size) + 1, counts)
    if form == "OFF":
        return counts - top
    return np.where(counts >= top, counts - (1 << size), counts)


def _decimal(words: Integers) -> Floats:
    """Five decimal digits, the first of them up to 7; NaN where one is above 9."""
    field = words >> _DATA_AT
    digits = [field >> place & most for place, most, _ in _DIGITS]
    bad = np.any([digit > 9 for digit in digits], axis=0)
    total = np.sum([digit * worth for digit, (_, _, worth) in zip(digits, _DIGITS, strict=True)], axis=0)
    return np.where(bad, np.nan, total.astype(np.float64))
