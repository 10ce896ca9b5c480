"""Sorties worked on one after the other: each in its turn, one bad one never stops the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

from ..shared.errors import InputError, StoreError, TrimshotError
from .places import remove_folder
from .report import SortieReport
from .staging import stage

OnProgress = Callable[[str, int, int], None]
Item = TypeVar("Item")


def take_turns(
    programme: Path,
    items: Sequence[Item],
    work: Callable[[Item, Path], SortieReport],
    *,
    name: Callable[[Item], str],
    on_progress: OnProgress | None,
) -> Iterator[tuple[Item, SortieReport]]:
    """Each item with the report of `work(item, scratch)`, or of its failure.

    scratch: a private folder inside the programme, emptied after every turn. `on_progress(name,
    done, total)` is called before each turn and at the end.
    """
    with stage(programme) as scratch:
        for done, item in enumerate(items):
            if on_progress is not None:
                on_progress(name(item), done, len(items))
            yield item, guard(name(item), partial(work, item, scratch))
            for rest in scratch.iterdir():
                remove_folder(rest)
    if on_progress is not None:
        on_progress("", len(items), len(items))


def guard(sortie: str, work: Callable[[], SortieReport]) -> SortieReport:
    """The report of `work`, or of its failure: a fault of one sortie's files is that sortie's alone."""
    try:
        return work()
    except TrimshotError as error:
        return SortieReport(sortie, "failed", error=error)
    except OSError as error:
        return SortieReport(sortie, "failed", error=InputError("cannot be read or written", found=str(error)))
    except (ArithmeticError, AssertionError, AttributeError, LookupError, RuntimeError, TypeError, ValueError) as error:
        # A fault of the program itself on this sortie's data: told with the sortie, the others go on.
        fault = StoreError(
            "the program failed on this sortie and added nothing of it",
            where=sortie,
            found=f"{type(error).__name__}: {error}",
            do="report it with the sortie's files",
        )
        fault.__cause__ = error
        return SortieReport(sortie, "failed", error=fault)
