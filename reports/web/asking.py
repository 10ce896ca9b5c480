"""A question as a request holds it: its words as typed, what they mean, and the query that asks it again."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.requests import Request

from ...shared.errors import ConditionError
from ...store.narrowing import Narrowing
from ...store.overview import list_found
from .requests import word_in

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ...store.programme import Programme
    from ...store.saved import SavedCondition

_SECONDS = {"": 1.0, "s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "ms": 0.001}
SIDES = ("after", "before")
_HEADS = {"points": "Stabilised points", "phase": "Phases of flight", "manoeuvres": "Manoeuvres", "events": "Events"}


@dataclass(frozen=True, slots=True)
class Words:
    """What was typed and chosen. near: (side, kind of event, span), side one of SIDES."""

    condition: str = ""
    at_least: str = ""
    join: str = ""
    sortie: str = ""
    within: tuple[str, ...] = ()
    near: tuple[tuple[str, str, str], ...] = ()

    @property
    def query(self) -> str:
        """The words as the query of an address, '' for nothing."""
        pairs = [(key, getattr(self, key)) for key in ("condition", "at_least", "join", "sortie")]
        pairs += [("within", one) for one in self.within]
        pairs += [pair for one in self.near for pair in zip(("side", "event", "span"), one, strict=True)]
        return urlencode([(key, value) for key, value in pairs if value])


@dataclass(frozen=True, slots=True)
class Question:
    """What the words mean: lengths in seconds (None where none is given), the narrowing."""

    condition: str
    at_least_s: float | None
    join_s: float | None
    sortie: str | None
    narrowed: Narrowing


def read_words(request: Request) -> Words:
    """The words of a request: condition, at_least, join, sortie, within (any number), and side, event, span (as many of
    each). Raises ConditionError when the last three do not belong together."""
    lists = [request.query_params.getlist(name) for name in ("side", "event", "span")]
    if len({len(one) for one in lists}) > 1:
        raise ConditionError("each event near which to look has a side, a kind and a span", allowed="as many of each")
    near = tuple((side, kind.strip(), span.strip()) for side, kind, span in zip(*lists, strict=True) if kind.strip())
    within = tuple(one.strip() for one in request.query_params.getlist("within") if one.strip())
    single = {name: word_in(request, name) or "" for name in ("condition", "at_least", "join", "sortie")}
    return Words(**single, within=within, near=near)


def understand(words: Words) -> Question:
    """What the words mean. Raises ConditionError that names the field."""
    sides: dict[str, list[tuple[str, float]]] = {side: [] for side in SIDES}
    for side, kind, span in words.near:
        if side not in sides:
            raise ConditionError("an event is looked at from one side", found=repr(side[:40]), allowed=", ".join(SIDES))
        if not span:
            raise ConditionError(
                f"how long {side} {kind.replace('_', ' ')} is not said", do="write a length of time beside the event, for example 30s"
            )  # fmt: skip
        sides[side].append((kind, _length(span, f"{side} {kind.replace('_', ' ')}")))
    return Question(
        words.condition,
        _length(words.at_least, "held at least") if words.at_least else None,
        _length(words.join, "joined across") if words.join else None,
        words.sortie or None,
        Narrowing(words.within, tuple(sides["after"]), tuple(sides["before"])),
    )


def seconds_of(text: str) -> float:
    """'10s', '2 min', '1h' in seconds; nothing is 0. Raises ConditionError."""
    if not text:
        return 0.0
    match = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*([a-z]*)\s*", text.lower())
    if not match or match[2] not in _SECONDS:
        raise ConditionError("not a duration", found=repr(text[:40]), allowed="for example 10s, 2min or 1h")
    return float(match[1]) * _SECONDS[match[2]]


def words_of_saved(saved: SavedCondition) -> Words:
    """A condition kept under a name, as the form takes it: what narrows it is part of it."""
    sides: tuple[tuple[str, Mapping[str, float]], ...] = (("after", saved.after), ("before", saved.before))
    near = tuple((side, kind, f"{span:g}s") for side, spans in sides for kind, span in spans.items())
    lengths = [f"{value:g}s" if value else "" for value in (saved.at_least, saved.join)]
    return Words(saved.condition, lengths[0], lengths[1], within=tuple(saved.within), near=near)


def narrowing_choices(programme: Programme) -> list[dict[str, Any]]:
    """What a stretch can lie within, in groups: head, what, and the kinds that were found (value, label)."""
    found = list_found(programme.folder)
    return [
        {
            "what": what,
            "head": head,
            "kinds": [{"value": kind, "label": kind.replace("_", " ")} for kind in found[what]],
        }
        for what, head in _HEADS.items()
        if found.get(what)
    ]


def _length(text: str, field: str) -> float:
    try:
        return seconds_of(text)
    except ConditionError as error:
        raise ConditionError(f"{field}: {error.what}", found=error.found, allowed=error.allowed) from None
