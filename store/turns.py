"""Sorties worked on in turn, one bad one never stops the rest: begun here, worked on by an engine, finished here.

Whatever the engine, sorties are finished in the order they were given, by this process alone: the programme
is the same as when everything is done in one process.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from ..shared.errors import InputError, StoreError, TrimshotError
from .engine import Engine, Ticket
from .places import remove_folder
from .report import SortieReport
from .staging import stage

OnProgress = Callable[[str, int, int], None]
Item = TypeVar("Item")
Job = TypeVar("Job")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Steps(Generic[Item, Job, Result]):
    """What is done with an item. begin, in this process: the job, or the report when nothing is left to do;
    scratch is a private folder for it inside the programme. work: any process. finish: this process again."""

    name: Callable[[Item], str]
    begin: Callable[[Item, Path], Job | SortieReport]
    work: Callable[[Job], Result]
    finish: Callable[[Result], SortieReport]


def take_turns(
    programme: Path,
    items: Sequence[Item],
    steps: Steps[Item, Job, Result],
    *,
    engine: Engine,
    on_progress: OnProgress | None,
) -> Iterator[tuple[Item, SortieReport]]:
    """Each item with its report, in order. `on_progress(name, done, total)` is called before each and at the end."""
    if not items:
        _tell(on_progress, "", 0, 0)
        return
    with stage(programme) as scratch:
        engine.check_place(scratch)
        handed: deque[_Turn[Item, Result]] = deque()
        rest = iter(enumerate(items))
        for done, item in enumerate(items):
            _tell(on_progress, steps.name(item), done, len(items))
            while len(handed) < engine.window and (following := next(rest, None)) is not None:
                number, one = following
                handed.append(_begin(one, scratch / str(number), steps, engine))
            turn = handed.popleft()
            yield item, _finish(turn, steps)
            _clear(turn.folder)
    _tell(on_progress, "", len(items), len(items))


@dataclass(frozen=True, slots=True)
class _Turn(Generic[Item, Result]):
    """An item under way: its private folder, and its ticket or, when it came to an end before, its report."""

    item: Item
    folder: Path
    ticket: Ticket[Result] | None
    report: SortieReport | None


def _begin(item: Item, folder: Path, steps: Steps[Item, Job, Result], engine: Engine) -> _Turn[Item, Result]:
    tickets: list[Ticket[Result]] = []

    def begin() -> SortieReport | None:
        folder.mkdir()
        job = steps.begin(item, folder)
        if isinstance(job, SortieReport):
            return job
        tickets.append(engine.start(steps.work, job))
        return None

    report = guard(steps.name(item), begin)
    return _Turn(item, folder, tickets[0] if tickets else None, report)


def _finish(turn: _Turn[Item, Result], steps: Steps[Item, Job, Result]) -> SortieReport:
    ticket = turn.ticket
    if ticket is None:
        assert turn.report is not None
        return turn.report
    report = guard(steps.name(turn.item), lambda: steps.finish(ticket.result()))
    assert report is not None
    return report


def _clear(folder: Path) -> None:
    """A worker that was given up may still write there: what stays goes with the whole private place."""
    try:
        remove_folder(folder)
    except OSError:
        return


def _tell(on_progress: OnProgress | None, name: str, done: int, total: int) -> None:
    if on_progress is not None:
        on_progress(name, done, total)


def guard(sortie: str, work: Callable[[], SortieReport | None]) -> SortieReport | None:
    """The outcome of `work`, or the report of its failure: a fault of one sortie's files is that sortie's alone."""
    try:
        return work()
    except TrimshotError as error:
        return SortieReport(sortie, "failed", error=error)
    except OSError as error:
        return SortieReport(sortie, "failed", error=InputError("cannot be read or written", found=str(error)))
    except MemoryError as error:
        return _failed_by_program(sortie, error, "give it more memory, or fewer workers")
    except (ArithmeticError, AssertionError, AttributeError, LookupError, RuntimeError, TypeError, ValueError) as error:
        # A fault of the program itself on this sortie's data: told with the sortie, the others go on.
        return _failed_by_program(sortie, error, "report it with the sortie's files")


def _failed_by_program(sortie: str, error: Exception, do: str) -> SortieReport:
    fault = StoreError(
        "the program failed on this sortie and added nothing of it",
        where=sortie,
        found=f"{type(error).__name__}: {error}",
        do=do,
    )
    fault.__cause__ = error
    return SortieReport(sortie, "failed", error=fault)
