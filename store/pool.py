"""Work in a pool of processes on this machine, which outlives the death of any of them.

When a worker dies, the library gives up the whole pool and everything in it without saying whose fault it
was. So the pool is made anew and what was lost is handed over again; what is lost a second time is worked on
alone, so that the piece which kills its worker each time is known and told, and its neighbours are not blamed.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any, TypeVar

from ..shared.errors import WorkerError
from .engine import Engine, Ticket

Job = TypeVar("Job")
Result = TypeVar("Result")

CROWD_TRIES = 2  # deaths a piece of work may see in company before it is worked on alone
ALONE_TRIES = 2  # deaths alone before it is given up


@contextmanager
def open_pool(workers: int) -> Iterator[Engine]:
    """So many worker processes, ended with the block; they end by themselves when this process is killed."""
    pool = _Pool(workers)
    try:
        yield pool
    finally:
        pool.close()


@dataclass(eq=False)
class _PoolTicket:
    """A piece of work in the pool, and how many workers died while it was there."""

    pool: _Pool
    work: Callable[[Any], Any]
    job: Any
    future: Future[Any] | None = None
    deaths: int = 0
    given_up: bool = False

    def result(self) -> Any:
        try:
            return self.pool.fetch(self)
        finally:
            self.pool.forget(self)

    def is_lost(self) -> bool:
        """Whether its worker died, or the pool before it was taken."""
        if self.future is None or self.future.cancelled():
            return True
        return self.future.done() and isinstance(self.future.exception(), BrokenProcessPool)


@dataclass(eq=False)
class _Pool:
    """The pool of this moment and the work that is in it."""

    workers: int
    executor: ProcessPoolExecutor = field(init=False)
    open: list[_PoolTicket] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.executor = self._new()

    @property
    def window(self) -> int:
        return 2 * self.workers

    def start(self, work: Callable[[Job], Result], job: Job) -> Ticket[Result]:
        """Hand the work to the pool."""
        ticket = _PoolTicket(self, work, job)
        self._submit(ticket)
        self.open.append(ticket)
        return ticket

    def check_place(self, place: Path) -> None:
        """Nothing to check: workers on this machine see what this process sees."""

    def fetch(self, ticket: _PoolTicket) -> Any:
        """The work's result; work lost with a worker is done again meanwhile."""
        while not ticket.given_up:
            try:
                if ticket.future is not None:
                    return ticket.future.result()
            except BrokenProcessPool:
                pass
            self._recover()
        raise WorkerError(
            "the worker process died each time it worked on this",
            found=f"{ticket.deaths} dead workers",
            do="see whether memory ran out (`--workers 1` needs the least); if not, report it with the files",
        )

    def forget(self, ticket: _PoolTicket) -> None:
        """Its result was fetched."""
        self.open.remove(ticket)

    def close(self) -> None:
        """End the workers; what was not begun is left."""
        self.executor.shutdown(wait=True, cancel_futures=True)

    def _new(self) -> ProcessPoolExecutor:
        # spawn: a forked child would inherit the locks of threads it does not have
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.workers, mp_context=context, initializer=_end_with_parent)

    def _submit(self, ticket: _PoolTicket) -> None:
        try:
            ticket.future = self.executor.submit(ticket.work, ticket.job)
        except BrokenProcessPool:  # a worker died since: the next fetch hands it over again
            ticket.future = None

    def _recover(self) -> None:
        self.executor.shutdown(wait=True, cancel_futures=True)
        self.executor = self._new()
        lost = [ticket for ticket in self.open if ticket.is_lost()]
        for ticket in lost:
            ticket.deaths += ticket.future is not None  # what was never taken has seen no death
        for ticket in lost:
            if ticket.deaths >= CROWD_TRIES:
                self._work_alone(ticket)
        for ticket in lost:
            if ticket.deaths < CROWD_TRIES:
                self._submit(ticket)

    def _work_alone(self, ticket: _PoolTicket) -> None:
        for _ in range(ALONE_TRIES):
            self._submit(ticket)
            if ticket.future is not None:
                wait_done(ticket.future)
            if not ticket.is_lost():
                return
            ticket.deaths += 1
            self.executor.shutdown(wait=True, cancel_futures=True)
            self.executor = self._new()
        ticket.given_up = True


def wait_done(future: Future[Any]) -> None:
    """Wait for a future's end, whatever it is."""
    done = threading.Event()
    future.add_done_callback(lambda _: done.set())
    done.wait()


def _end_with_parent() -> None:
    """In a worker: end when the process that began it is gone, also when it was killed."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
