"""What an expected.json says, computed from the arrays a file is made from; owes nothing to the readers."""

from __future__ import annotations

import datetime as dt
import itertools
import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

T0 = 1931246800.0  # 2031-03-14T09:26:40Z, the day of the given cases
EPOCH = dt.datetime(1970, 1, 1)

Values = Sequence[Any]
Facts = dict[str, Any]


@dataclass(frozen=True)
class Case:
    """One folder: its files and what must come out of them."""

    files: Mapping[str, bytes]
    rows: int
    channels: Mapping[str, Facts] = field(default_factory=dict)
    time: Facts | None = None
    warnings: Sequence[Facts] = ()
    error: Facts | None = None
    outcome: str = ""
    given: Facts = field(default_factory=dict)
    more: Facts = field(default_factory=dict)

    def expected(self, name: str) -> Facts:
        """The content of expected.json."""
        outcome = self.outcome or ("ok_with_warnings" if self.warnings else "ok")
        expect = {
            "outcome": outcome,
            "rows": self.rows,
            "channels": dict(self.channels),
            "time": self.time,
            "warnings": list(self.warnings),
            "error": self.error,
        }
        out = {"case": name, "input": sorted(self.files), "expect": expect | self.more}
        return out | ({"given": self.given} if self.given else {})


CASES: dict[str, Callable[[], Case]] = {}


def case(name: str) -> Callable[[Callable[[], Case]], Callable[[], Case]]:
    """Enter a function that makes a case under its folder's name."""

    def enter(make: Callable[[], Case]) -> Callable[[], Case]:
        assert name not in CASES, name
        CASES[name] = make
        return make

    return enter


def channel(source: str, unit: str | None, values: Values, canonical: str | None = None) -> Facts:
    """The facts of one column; None and NaN are missing values."""
    known = [v for v in values if v is not None and not (isinstance(v, float) and math.isnan(v))]
    numbers = [v for v in known if not isinstance(v, str)]
    out: Facts = {"source": source, "unit": unit, "n": len(values), "valid": len(known)}
    out["missing"] = len(values) - len(known)
    if canonical:
        out["canonical"] = canonical
    if known:
        out |= {"first_valid": known[0], "last_valid": known[-1]}
    if numbers:
        out |= {"min": min(numbers), "max": max(numbers)}
    return out


def shown(seconds: float, basis: str) -> str | float:
    """Seconds since 1970 as the given cases write a stamp."""
    if basis == "elapsed":
        return seconds
    stamp = EPOCH + dt.timedelta(microseconds=round(seconds * 1e6))
    if basis == "time_of_day_no_date":
        return stamp.time().isoformat()
    return stamp.isoformat() + ("Z" if basis == "utc" else "")


def times(seconds: Sequence[float], basis: str = "utc") -> Facts:
    """The facts of a time axis whose true stamps are `seconds` since 1970."""
    order = sorted(seconds)
    steps = [b - a for a, b in itertools.pairwise(order)]
    usual = statistics.median([s for s in steps if s > 0])
    gaps = [
        {"after": shown(a, basis), "length_s": round(s, 6)}
        for a, s in zip(order[:-1], steps, strict=True)
        if s > 1.5 * usual
    ]
    return {
        "basis": basis,
        "first": shown(order[0], basis),
        "last": shown(order[-1], basis),
        "n": len(order),
        "median_dt_s": round(usual, 6),
        "monotonic_after_repair": True,
        "duplicates": len(order) - len(set(order)),
        "gaps": gaps,
    }


def warn(code: str, count: int = 1, where: str | None = None, **facts: Any) -> Facts:
    """One expected finding."""
    return {"code": code, "count": count} | ({"where": where} if where else {}) | facts


def asked(code: str, *words: str) -> Facts:
    """The error that must be shown, and words it must hold."""
    return {"code": code, "message_must_contain": list(words)}
