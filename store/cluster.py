"""Work on a cluster of Dask workers, reached at its scheduler's address.

Functions and jobs travel by pickle, files do not: every worker has to see the programme's folder under the
same path (a shared file system) and run the same version of the program. Both are asked of every worker
before anything is handed over. A worker that dies is replaced and its work repeated by the scheduler, up to
its own limit (`distributed.scheduler.allowed-failures`).
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from ..shared.errors import WorkerError
from .engine import Engine, Ticket
from .rows import program_version

Job = TypeVar("Job")
Result = TypeVar("Result")

ANSWER_S = 15.0


@contextmanager
def open_cluster(address: str) -> Iterator[Engine]:
    """The cluster whose scheduler listens at `tcp://host:port`. Raises WorkerError."""
    try:
        from distributed import Client
    except ImportError:
        raise WorkerError(
            "a cluster needs the library `distributed`", do='install it: pip install "trimshot[cluster]"'
        ) from None
    try:
        client: Any = Client(address, timeout=ANSWER_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise WorkerError(
            "no cluster answers there", where=address, found=str(error).splitlines()[0] if str(error) else None,
            allowed="the scheduler's address, tcp://host:port",
        ) from None  # fmt: skip
    try:
        yield Cluster(address, client, client.get_executor(pure=False))
    finally:
        client.close()


@dataclass(frozen=True)
class ClusterTicket:
    """A piece of work on the cluster."""

    future: Future[Any]

    def result(self) -> Any:
        """What the work gave. Raises what it raised, WorkerError when its workers died or the cluster is gone."""
        from distributed.scheduler import KilledWorker

        try:
            return self.future.result()
        except KilledWorker as error:
            raise WorkerError(
                "the worker process died each time it worked on this",
                found=str(error).splitlines()[0],
                do="see the workers' logs; memory is the usual reason",
            ) from None
        except CancelledError:
            raise WorkerError(
                "the cluster was lost before this was done", do="run again: what is in the programme stays"
            ) from None


@dataclass(frozen=True)
class Cluster:
    """A scheduler reached by a client, and the client's executor face."""

    address: str
    client: Any
    executor: Any

    @property
    def window(self) -> int:
        """Two pieces for every thread of every worker there is now."""
        return 2 * max(1, int(sum(self.client.nthreads().values())))

    def start(self, work: Callable[[Job], Result], job: Job) -> Ticket[Result]:
        """Hand the work to the scheduler."""
        return ClusterTicket(self.executor.submit(work, job))

    def check_place(self, place: Path) -> None:
        """Ask every worker. Raises WorkerError for those that cannot take part."""
        token = uuid.uuid4().hex
        probe = place / f"seen-{token}"
        probe.write_text(token, encoding="utf-8")
        try:
            answers: dict[str, tuple[bool, str]] = self.client.run(look_at_place, str(probe), token)
        finally:
            probe.unlink()
        if not answers:
            raise WorkerError("the cluster has no workers", where=self.address, do="start workers, then run again")
        mine = program_version()
        for worker, (sees, version) in sorted(answers.items()):
            if version != mine:
                found = f"{version} there, {mine} here"
                raise WorkerError("a worker runs another version of the program", where=worker, found=found)
            if not sees:
                raise WorkerError(
                    "a worker does not see the programme's folder",
                    where=worker,
                    found=str(place),
                    do="put the programme on a file system that all workers share, under the same path",
                )


def look_at_place(probe: str, token: str) -> tuple[bool, str]:
    """On a worker: whether it sees the file with these words, and the version of its program."""
    path = Path(probe)
    try:
        sees = path.read_text(encoding="utf-8") == token
    except OSError:
        sees = False
    return sees, program_version()
