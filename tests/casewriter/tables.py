"""A short flight in arrays, and tables of text made of them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

from .facts import EPOCH, T0

NAMES = ("pressure_alt_ft", "ias_kt", "oat_c", "rpm")


def seconds(n: int, step: float = 1.0, start: float = T0) -> list[float]:
    """n stamps, exact to a microsecond."""
    return [round(start + i * step, 6) for i in range(n)]


def altitude(n: int, start: float = 6000.0, step: float = -24.3) -> list[float]:
    """A descent, feet, with a slow wave."""
    return [round(start + step * i + 0.9 * math.sin(i), 1) for i in range(n)]


def airspeed(n: int) -> list[float]:
    """Knots around 95."""
    return [round(95.0 + 0.8 * math.sin(i / 2.3), 1) for i in range(n)]


def temperature(n: int, start: float = 4.0) -> list[float]:
    """degC, rising by 2 degC per 1000 ft of the descent."""
    return [round(start + 0.0486 * i + 0.12 * math.sin(1.7 * i), 1) for i in range(n)]


def revolutions(n: int) -> list[int]:
    """Revolutions per minute around 1480."""
    return [round(1480 + 6 * math.sin(i / 1.3)) for i in range(n)]


def iso(second: float, digits: int = 0, end: str = "Z", sep: str = "T") -> str:
    """A stamp as 2031-03-14T09:26:40Z."""
    stamp = EPOCH + dt.timedelta(microseconds=round(second * 1e6))
    return stamp.strftime(f"%Y-%m-%d{sep}%H:%M:%S") + _fraction(stamp, digits) + end


def civil(second: float, form: str, digits: int = 0) -> str:
    """A stamp in a strftime form."""
    stamp = EPOCH + dt.timedelta(microseconds=round(second * 1e6))
    return stamp.strftime(form) + _fraction(stamp, digits)


def _fraction(stamp: dt.datetime, digits: int) -> str:
    return f".{stamp.microsecond:06d}"[: digits + 1] if digits else ""


def fixed(values: Sequence[float], digits: int = 1, comma: bool = False) -> list[str]:
    """Numbers as text; blank for a missing one."""
    texts = ["" if math.isnan(v) else f"{v:.{digits}f}" for v in values]
    return [t.replace(".", ",") for t in texts] if comma else texts


def rows(*columns: Sequence[object], by: str = ",") -> list[str]:
    """Lines of a table, one per row."""
    return [by.join(str(v) for v in row) for row in zip(*columns, strict=True)]


def text(*lines: str | Sequence[str], end: str = "\n") -> bytes:
    """Lines (or lists of lines) as UTF-8 with a line end behind each."""
    flat = [x for part in lines for x in ([part] if isinstance(part, str) else part)]
    return "".join(x + end for x in flat).encode()
