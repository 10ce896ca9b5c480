"""A right answer written down before a reader was asked, and everything in which the reader's answer is another one.

The odd inputs (`tests/ingest/test_odd_*.py`) are made from known arrays; what must come out of them is a `Right`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from trimshot.ingest.dry_run import describe
from trimshot.shared.settings import Settings
from trimshot.shared.units import find_unit, from_si, to_si


@dataclass(frozen=True)
class Samples:
    """What must come out of one column: first, last, missing samples, unit (None: whatever is told), channel."""

    first: Any
    last: Any
    missing: int = 0
    unit: str | None = None
    channel: str | None = None
    n: int | None = None


@dataclass(frozen=True)
class Right:
    """The whole answer. first, last: stamps as the dry run prints them; None: not asked."""

    rows: int
    basis: str | None = "utc"
    first: str | float | None = None
    last: str | float | None = None
    columns: Mapping[str, Samples] = field(default_factory=dict)
    codes: Sequence[str] = ()
    never: Sequence[str] = ()
    outcome: str | None = None
    step: float | None = None
    absent: Sequence[str] = ()  # headers that must not be read


@dataclass(frozen=True)
class Refused:
    """An input that must be refused: words the pilot needs to see."""

    words: Sequence[str]


def differences(path: Path, right: Right | Refused, settings: Settings | None = None) -> list[str]:
    """Everything in which the answer about a file or folder is not the right one, in words."""
    found = describe(path, settings)
    if isinstance(right, Refused):
        return _refusal(found, right)
    if found["error"] and not found["rows"]:
        return [f"refused: {found['error']['message']}"]
    out = [f"rows {found['rows']}, expected {right.rows}"] if found["rows"] != right.rows else []
    out += _time(found["time"], right)
    for header, samples in right.columns.items():
        out += _samples(header, samples, found["channels"])
    headers = {one["source"] for one in found["channels"].values()}
    out += [f"column {header!r} was read" for header in right.absent if header in headers]
    codes = {finding["code"] for finding in found["findings"]}
    out += [f"no finding {code}" for code in right.codes if code not in codes]
    out += [f"finding {code} nobody asked for" for code in right.never if code in codes]
    if right.outcome and found["outcome"] != right.outcome:
        out.append(f"outcome {found['outcome']} with needs {found['needs']}, expected {right.outcome}")
    return out


def _refusal(found: Mapping[str, Any], right: Refused) -> list[str]:
    told = " ".join([str(found["error"]), *(f["text"] for f in found["findings"])])
    out = [f"{found['rows']} rows were read"] if found["rows"] else []
    return out + [f"{word!r} is not told: {told[:400]}" for word in right.words if word not in told]


def _time(found: Mapping[str, Any] | None, right: Right) -> list[str]:
    if right.basis is None:
        return [] if found is None else [f"time {found}"]
    if found is None:
        return ["no time"]
    out = [f"basis {found['basis']}, expected {right.basis}"] if found["basis"] != right.basis else []
    for name in ("first", "last"):
        wanted = getattr(right, name)
        if wanted is not None and found[name] != (
            pytest.approx(wanted, abs=1e-6) if isinstance(wanted, float) else wanted
        ):
            out.append(f"{name} {found[name]}, expected {wanted}")
    if right.step is not None and found["median_dt_s"] != pytest.approx(right.step, abs=2e-6):
        out.append(f"step {found['median_dt_s']}, expected {right.step}")
    return out


def _samples(header: str, wanted: Samples, channels: Mapping[str, Any]) -> list[str]:
    tries = [_one(key, wanted, one) for key, one in channels.items() if one["source"] == header]
    if not tries:
        return [f"no column {header!r}; there are {[(k, c['source'], c['unit']) for k, c in channels.items()]}"]
    return [f"{header}: {text}" for text in min(tries, key=len)]


def _one(key: str, wanted: Samples, found: Mapping[str, Any]) -> list[str]:
    out = []
    if wanted.channel and key.split(" (")[0] != wanted.channel:
        out.append(f"channel {key}, expected {wanted.channel}")
    factor = _factor(found["unit"], wanted.unit)
    if factor is None:
        return [*out, f"unit {found['unit']}, expected {wanted.unit}"]
    for name, value in (("first_valid", wanted.first), ("last_valid", wanted.last)):
        got = factor(found[name]) if isinstance(found[name], float) else found[name]
        if got != (pytest.approx(value, rel=1e-6, abs=1e-6) if isinstance(value, int | float) else value):
            out.append(f"{name} {got}, expected {value}")
    if found["missing"] != wanted.missing:
        out.append(f"missing {found['missing']}, expected {wanted.missing}")
    if wanted.n is not None and found["n"] != wanted.n:
        out.append(f"n {found['n']}, expected {wanted.n}")
    return out


def _factor(found: str | None, wanted: str | None) -> Any:
    """How a number in the unit found becomes one in the unit wanted; None when it cannot."""
    if wanted is None or found == wanted:
        return lambda value: value
    if found is None:
        return None
    mine, theirs = find_unit(found), find_unit(wanted)
    if mine is None or theirs is None or mine.kind != theirs.kind:
        return None
    return lambda value: float(from_si(to_si(value, found), wanted))
