"""One writer at a time in an object store: a lease that runs out by itself when its holder has died.

The lease keeps writers from working in vain. What keeps them from overwriting one another is the state's
number, which can be created once only (store/remote.py).
"""

from __future__ import annotations

import json
import os
import platform
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from ..shared.errors import LockedError, StoreError
from .bucket import Bucket
from .waiting import tell_wait

LEASE = "lease.json"
LEASE_S = 120.0
WAIT_S = 180.0  # longer than a dead writer's lease
_PAUSE_S = 1.0


@contextmanager
def hold_lease(bucket: Bucket) -> Iterator[None]:
    """The right to write, renewed while the block runs. Raises LockedError when another writer keeps it too long."""
    holder = uuid.uuid4().hex
    _acquire(bucket, holder)
    done = threading.Event()
    renewer = threading.Thread(target=_renew_until, args=(bucket, holder, done), daemon=True)
    renewer.start()
    try:
        yield
    finally:
        done.set()
        renewer.join()
        held = _read(bucket)
        if held is not None and held.holder == holder:
            bucket.delete(LEASE)


@dataclass(frozen=True, slots=True)
class _Lease:
    holder: str
    who: str
    until: float  # seconds since 1970, by the holder's clock


def _acquire(bucket: Bucket, holder: str) -> None:
    end = time.monotonic() + WAIT_S
    told = False
    while not bucket.create(LEASE, _written(holder)):
        held = _read(bucket)
        if held is not None and held.until < time.time():
            bucket.delete(LEASE)  # its holder has died
            continue
        if time.monotonic() > end:
            who = held.who if held is not None else "another process"
            raise LockedError(f"{who} keeps writing to the programme", where=bucket.url, do="wait, then run again")
        if not told and held is not None:
            tell_wait(f"waiting: {held.who} is writing to {bucket.url}")
            told = True
        time.sleep(_PAUSE_S)


def _renew_until(bucket: Bucket, holder: str, done: threading.Event) -> None:
    while not done.wait(LEASE_S / 4):
        with suppress(StoreError):  # the next turn tries again; the lease outlasts three of them
            held = _read(bucket)
            if held is None or held.holder != holder:
                return
            bucket.write(LEASE, _written(holder))


def _written(holder: str) -> bytes:
    who = f"process {os.getpid()} on {platform.node() or 'a computer'}"
    return json.dumps({"holder": holder, "who": who, "until": time.time() + LEASE_S}).encode()


def _read(bucket: Bucket) -> _Lease | None:
    content = bucket.read(LEASE)
    return None if content is None else _Lease(**json.loads(content))
