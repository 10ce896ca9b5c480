"""Where the long half of the work is done: in this process, in a pool of processes, on a cluster.

An engine is given pieces of work that can be pickled and gives their results back; which of the three
it is changes nothing about the answers. What writes to the programme is never given to an engine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")
Result_co = TypeVar("Result_co", covariant=True)


class Ticket(Protocol[Result_co]):
    """A piece of work that was handed over."""

    def result(self) -> Result_co:
        """The result, waited for. Raises what the work raised, WorkerError when its workers died of it."""


class Engine(Protocol):
    """Something that does work."""

    @property
    def window(self) -> int:
        """Pieces of work that may be handed over before the first result is fetched."""

    def start(self, work: Callable[[Job], Result], job: Job) -> Ticket[Result]:
        """Hand over `work(job)`; function, job and result can be pickled."""

    def check_place(self, place: Path) -> None:
        """Raise WorkerError when a worker does not see this folder, or runs another version of the program."""


@dataclass(frozen=True, slots=True)
class _Later(Generic[Job, Result]):
    work: Callable[[Job], Result]
    job: Job

    def result(self) -> Result:
        return self.work(self.job)


@dataclass(frozen=True, slots=True)
class ThisProcess:
    """Work done in this process, when its result is asked for."""

    window: int = 1

    def start(self, work: Callable[[Job], Result], job: Job) -> Ticket[Result]:
        """Keep the work until its result is asked for."""
        return _Later(work, job)

    def check_place(self, place: Path) -> None:
        """Nothing to check: this process made the folder."""


HERE: Engine = ThisProcess()
