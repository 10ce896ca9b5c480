"""The engine somebody asks for: by a number of processes, or by a cluster's address."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from ..shared.errors import ConditionError
from .cluster import open_cluster
from .engine import HERE, Engine
from .pool import open_pool


@contextmanager
def open_engine(workers: int | None = None, cluster: str | None = None) -> Iterator[Engine]:
    """The engine for a number of local processes (None or 1: this process), or a cluster's address.

    Raises ConditionError for both at once or a number below 1, WorkerError for a cluster that does not answer.
    """
    if workers is not None and cluster is not None:
        raise ConditionError("work goes either to local processes or to a cluster", do="name one of the two")
    if workers is not None and workers < 1:
        raise ConditionError("no worker to work with", found=str(workers), allowed="1 or more")
    if cluster is not None:
        with open_cluster(cluster) as engine:
            yield engine
    elif workers is not None and workers > 1:
        with open_pool(workers) as engine:
            yield engine
    else:
        yield HERE
