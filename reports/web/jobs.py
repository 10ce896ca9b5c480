"""Work that takes a while, one piece after the other: pages start it, poll it, and go on reading meanwhile.

One thread works, so that there is one writer of ours; writers of other processes are kept apart by the
programme's lock.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

from ...shared.errors import TrimshotError
from ...store.waiting import tell_waits

Report = Callable[[str, int, int], None]
_KEPT = 50


@dataclass(slots=True)
class Job:
    """A piece of work. state: waiting, working, done or failed; result: plain values, once done."""

    id: str
    title: str
    state: str = "waiting"
    text: str = ""
    done: int = 0
    total: int = 0
    result: dict[str, Any] = field(default_factory=dict)
    error: str = ""
    begun: float = field(default_factory=time.monotonic)

    def record(self) -> dict[str, Any]:
        """What a page shows of it."""
        return {
            "id": self.id, "title": self.title, "state": self.state, "text": self.text, "done": self.done,
            "total": self.total, "result": self.result, "error": self.error,
            "seconds": round(time.monotonic() - self.begun, 1),
        }  # fmt: skip


class Jobs:
    """The jobs of this server: a queue with one worker, and the last of them to look up."""

    def __init__(self) -> None:
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="writer")
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(self, title: str, work: Callable[[Report], dict[str, Any]]) -> Job:
        """Queue `work(report)`; report(text, done, total) moves the job's progress."""
        job = Job(secrets.token_hex(8), title)
        with self._lock:
            self._jobs[job.id] = job
            for old in list(self._jobs)[:-_KEPT]:
                del self._jobs[old]
        self._worker.submit(self._run, job, work)
        return job

    def find(self, identity: str) -> Job | None:
        """The job of that id."""
        return self._jobs.get(identity)

    def close(self) -> None:
        """Wait for the one that works; those that wait are given up."""
        self._worker.shutdown(wait=True, cancel_futures=True)

    def _run(self, job: Job, work: Callable[[Report], dict[str, Any]]) -> None:
        def report(text: str, done: int, total: int) -> None:
            job.text, job.done, job.total = text, done, total

        job.state = "working"
        try:
            with tell_waits(lambda text: setattr(job, "text", text)):
                job.result = work(report)
            job.state = "done"
        except TrimshotError as error:
            job.error, job.state = error.text(), "failed"
        except (OSError, ArithmeticError, AssertionError, AttributeError, LookupError, RuntimeError, TypeError, ValueError) as error:  # fmt: skip
            job.error, job.state = f"a fault of the program: {type(error).__name__}: {error}", "failed"
