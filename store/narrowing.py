"""What narrows a question beside its condition: only inside what was found, only near an event.

`within` names what was found: `points`, `phase:approach`, `events:gear_down`, `manoeuvres:turn`; a row counts when
its time lies in one of them (touching and overlapping ones are one). A name also stands for its family: `events:gear`
is gear_up and gear_down. `after` and `before` keep the stretches that begin at most so many seconds after, or before,
the start of such an event.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import duckdb
import numpy as np
from numpy.typing import NDArray

from ..shared.errors import ConditionError
from .columns import Columns, fetch_columns, object_column, row_count, sorted_order, take_rows

Spans: TypeAlias = Columns  # sortie, start_s, stop_s; sorted, disjoint
Times = Mapping[str, NDArray[np.float64]]  # sortie -> times of events, seconds since its start, sorted

_SLACK_S = 1e-6
_NAME = re.compile(r"[A-Za-z0-9_]+")
_OF_KIND = "(? IS NULL OR kind = ? OR starts_with(kind, ? || '_'))"
_FOUND = {
    "points": f"SELECT sortie, start_s, stop_s, kind FROM point WHERE accepted AND {_OF_KIND}",
    "phase": f"SELECT sortie, start_s, stop_s, kind FROM phase WHERE {_OF_KIND}",
    "events": f"SELECT sortie, time_s AS start_s, stop_s, kind FROM event WHERE {_OF_KIND}",
    "manoeuvres": f"SELECT sortie, start_s, stop_s, kind FROM manoeuvre WHERE {_OF_KIND}",
}
_OTHER_WORDS = {"point": "points", "phases": "phase", "event": "events", "manoeuvre": "manoeuvres"}
_TABLES = {"points": "point", "phase": "phase", "events": "event", "manoeuvres": "manoeuvre"}


@dataclass(frozen=True, slots=True)
class Narrowing:
    """within: what every row must lie inside, all of them; after, before: (kind of event, seconds), all of them."""

    within: tuple[str, ...] = ()
    after: tuple[tuple[str, float], ...] = ()
    before: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Fences:
    """A narrowing looked up: spans of every `within`, times of every event named; notes on what is nowhere found.

    holders: the sorties that have something of everything asked for, so that they can hold a stretch; None: any can.
    """

    narrowing: Narrowing
    spans: tuple[Spans, ...]
    after: tuple[Times, ...]
    before: tuple[Times, ...]
    notes: tuple[str, ...]
    holders: frozenset[str] | None


def read_fences(connection: duckdb.DuckDBPyConnection, narrowing: Narrowing) -> Fences:
    """Look a narrowing up in the catalog. Raises ConditionError for one that is none."""
    notes: list[str] = []
    spans = tuple(_merge(_look_up(connection, *_split(one), notes)) for one in narrowing.within)
    times = [
        [_times(_look_up(connection, "events", _checked(kind, span), notes)) for kind, span in side]
        for side in (narrowing.after, narrowing.before)
    ]
    owners = [frozenset(one["sortie"]) for one in spans] + [frozenset(one) for side in times for one in side]
    holders = frozenset.intersection(*owners) if owners else None
    return Fences(narrowing, spans, tuple(times[0]), tuple(times[1]), tuple(dict.fromkeys(notes)), holders)


def near_events(stretches: Columns, fences: Fences) -> Columns:
    """The stretches that begin near the events asked for, with the distance from the nearest of each, s:
    `after_<kind>_s`, `before_<kind>_s`, not negative."""
    sides = (
        ("after", fences.narrowing.after, fences.after),
        ("before", fences.narrowing.before, fences.before),
    )
    for word, asked, found in sides:
        for (kind, span), times in zip(asked, found, strict=True):
            distance = _distances(stretches, times, behind=word == "after")
            near = distance <= span + _SLACK_S
            stretches = {**take_rows(stretches, near), f"{word}_{kind}_s": distance[near]}
    return stretches


def event_columns(narrowing: Narrowing) -> tuple[str, ...]:
    """The columns `near_events` adds."""
    after = tuple(f"after_{kind}_s" for kind, _ in narrowing.after)
    return after + tuple(f"before_{kind}_s" for kind, _ in narrowing.before)


def _split(text: str) -> tuple[str, str | None]:
    kind, colon, name = text.strip().partition(":")
    kind = _OTHER_WORDS.get(kind.lower(), kind.lower())
    if kind not in _FOUND or (colon and not _NAME.fullmatch(name)):
        raise ConditionError(
            "a stretch cannot lie within that",
            found=repr(text),
            allowed=", ".join(_FOUND),
            do="name one of these, or one kind of it, for example phase:approach",
        )
    return kind, name or None


def _checked(kind: str, span: float) -> str:
    if not _NAME.fullmatch(kind):
        raise ConditionError("not a kind of event", found=repr(kind), do="see `trimshot events`")
    if not 0 <= span < 1e9:
        raise ConditionError("the span is not a length of time", found=str(span), allowed="0 s or more")
    return kind


def _look_up(connection: duckdb.DuckDBPyConnection, what: str, name: str | None, notes: list[str]) -> Columns:
    found = fetch_columns(connection, _FOUND[what], [name, name, name])
    if not row_count(found):
        accepted = " WHERE accepted" if what == "points" else ""
        kinds = connection.execute(f"SELECT DISTINCT kind FROM {_TABLES[what]}{accepted} ORDER BY 1").fetchall()
        there = ", ".join(str(row[0]) for row in kinds) or "none"
        notes.append(f"no sortie has {what}{f' {name!r}' if name else ''}; found: {there}")
    return found


def _merge(found: Columns) -> Spans:
    """Spans in order, touching and overlapping ones made one."""
    found = take_rows(found, sorted_order(found, ("sortie", "start_s")))
    merged: list[list[Any]] = []
    for sortie, start, stop in zip(*(found[name].tolist() for name in ("sortie", "start_s", "stop_s")), strict=True):
        if merged and merged[-1][0] == sortie and start <= merged[-1][2] + _SLACK_S:
            merged[-1][2] = max(merged[-1][2], stop)
        else:
            merged.append([sortie, start, stop])
    return {
        "sortie": object_column(span[0] for span in merged),
        "start_s": np.array([span[1] for span in merged], dtype=np.float64),
        "stop_s": np.array([span[2] for span in merged], dtype=np.float64),
    }


def _times(found: Columns) -> Times:
    times: dict[str, list[float]] = {}
    for sortie, start in zip(found["sortie"].tolist(), found["start_s"].tolist(), strict=True):
        times.setdefault(sortie, []).append(start)
    return {sortie: np.sort(np.array(some)) for sortie, some in times.items()}


def _distances(stretches: Columns, times: Times, *, behind: bool) -> NDArray[np.float64]:
    """Seconds from each stretch's start back (or forward) to the nearest event; infinite where there is none."""
    starts, sorties = stretches["start_s"], stretches["sortie"].tolist()
    out = np.full(len(starts), np.inf)
    for number, (sortie, start) in enumerate(zip(sorties, starts, strict=True)):
        there = times.get(sortie)
        if there is None:
            continue
        if behind:
            at = int(np.searchsorted(there, start + _SLACK_S, side="right")) - 1
            out[number] = max(start - there[at], 0.0) if at >= 0 else np.inf
        else:
            at = int(np.searchsorted(there, start - _SLACK_S, side="left"))
            out[number] = max(there[at] - start, 0.0) if at < len(there) else np.inf
    return out
