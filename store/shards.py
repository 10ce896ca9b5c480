"""A condition asked of shares of the sorties, each in a process of its own, and the answers put together as one.

Every share is asked by the same `find` of some sorties; stretches never cross from one sortie into another,
so nothing is lost at the seams.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..shared.errors import ChannelError
from .columns import append_tables, sorted_order, take_rows
from .commit import check_sorties
from .connection import open_catalog
from .engine import Engine
from .find import ALL, FindResult, find
from .narrowing import Narrowing


@dataclass(frozen=True, slots=True)
class Question:
    """A condition with everything `find` is told beside it."""

    condition: str
    at_least_s: float = 0.0
    join_s: float = 0.0
    narrowed: Narrowing = ALL
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Share:
    """A question put to some sorties of a programme."""

    programme: Path
    question: Question
    sorties: tuple[str, ...]


def find_shared(programme: Path, question: Question, sorties: Sequence[str] | None, *, engine: Engine) -> FindResult:
    """As `find`, the sorties (None: all) shared out among the engine's workers. Raises what `find` raises."""
    whole = Share(programme, question, tuple(sorties or ()))
    if engine.window < 2:
        return answer_share(whole)
    names = _in_time_order(programme, sorties)
    if len(names) < 2:
        return answer_share(whole)
    size = -(-len(names) // engine.window)
    shares = [Share(programme, question, some) for some in _batches(names, size)]
    tickets = [engine.start(try_share, share) for share in shares]
    parts = [part for ticket in tickets if (part := ticket.result()) is not None]
    if len(parts) < len(shares):  # a share has none of a chosen channel: only the whole can tell whether others have
        return answer_share(Share(programme, question, tuple(names)))
    return _put_together(parts)


def try_share(share: Share) -> FindResult | None:
    """The answer of one share, in any process; None where none of its sorties has a chosen channel."""
    try:
        return answer_share(share)
    except ChannelError:
        return None


def answer_share(share: Share) -> FindResult:
    """The answer of one share (of the whole programme, when it names no sortie), in any process."""
    asked = share.question
    return find(
        share.programme,
        asked.condition,
        asked.at_least_s,
        join_s=asked.join_s,
        sortie=share.sorties or None,
        narrowed=asked.narrowed,
        channels=asked.channels,
    )


def _put_together(parts: Sequence[FindResult]) -> FindResult:
    columns = append_tables([part.columns for part in parts])
    columns = take_rows(columns, sorted_order(columns, ("start_utc", "sortie")))
    routes: Counter[str] = Counter()
    for part in parts:
        routes.update(part.routes)
    return replace(
        parts[0],
        columns=columns,
        considered=tuple(name for part in parts for name in part.considered),
        left_out={name: reason for part in parts for name, reason in part.left_out.items()},
        routes=dict(routes),
    )


def _batches(names: Sequence[str], size: int) -> Iterable[tuple[str, ...]]:
    return (tuple(names[start : start + size]) for start in range(0, len(names), size))


def _in_time_order(programme: Path, sorties: Sequence[str] | None) -> list[str]:
    with open_catalog(programme) as connection:
        if sorties:
            check_sorties(connection, list(sorties))
        rows = connection.execute("SELECT sortie FROM sortie ORDER BY start_utc, sortie").fetchall()
    return [str(row[0]) for row in rows if not sorties or row[0] in sorties]
