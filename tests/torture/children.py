"""Work in forked processes: everything is imported once, and no disturbance reaches the parent."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Ending:
    """How a child ended. signal: None unless it was killed; value: what its function gave; error: what it raised."""

    signal: int | None
    value: Any = None
    error: str | None = None


@dataclass(frozen=True)
class Child:
    """A forked process at work."""

    process: int
    pipe: int

    def kill(self) -> None:
        """SIGKILL, if it is still there."""
        os.kill(self.process, signal.SIGKILL)

    def wait(self) -> Ending:
        """Its end."""
        blocks = []
        while block := os.read(self.pipe, 1 << 16):
            blocks.append(block)
        os.close(self.pipe)
        _, status = os.waitpid(self.process, 0)
        if os.WIFSIGNALED(status):
            return Ending(os.WTERMSIG(status))
        value, error = pickle.loads(b"".join(blocks)) if blocks else (None, "ended without a word")
        return Ending(None, value, error)


def fork(work: Callable[[], Any]) -> Child:
    """Begin `work` in a child; what it gives back can be pickled."""
    reading, writing = os.pipe()
    sys.stdout.flush()
    process = os.fork()
    if process:
        os.close(writing)
        return Child(process, reading)
    os.close(reading)
    try:
        said = pickle.dumps((work(), None))
    except BaseException as error:  # noqa: BLE001 - whatever ends a child is told by its parent
        said = pickle.dumps((None, "".join(traceback.format_exception(error))))
    with os.fdopen(writing, "wb") as stream:
        stream.write(said)
    os._exit(0)


def do(work: Callable[[], Any]) -> Any:
    """The value of `work`, done in a child. Raises RuntimeError when it failed."""
    ending = fork(work).wait()
    if ending.error or ending.signal:
        raise RuntimeError(ending.error or f"killed by signal {ending.signal}")
    return ending.value


def timed(work: Callable[[], Any]) -> float:
    """Seconds `work` takes, in this process."""
    begun = time.monotonic()
    work()
    return time.monotonic() - begun
