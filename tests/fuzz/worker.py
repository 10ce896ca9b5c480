"""A child process of the fuzz run: tries a stretch of inputs and tells each outcome through a pipe."""

from __future__ import annotations

import resource
import tempfile
import warnings
from collections.abc import Iterator
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from .seeds import adapter_named, every_seed, seeds_of
from .trial import Outcome, make_input, run_trial

LONGEST_SILENCE_S = 90.0  # by the clock: the child is stuck where its own limit cannot reach it
ADDRESS_SPACE = 12 << 30


def try_stretch(seed: int, adapter: str, start: int, stop: int) -> Iterator[Outcome]:
    """Outcomes of inputs start to stop. A child that dies or hangs is a fault; the next goes on behind it."""
    while start < stop:
        for outcome in _one_child(seed, adapter, start, stop):
            yield outcome
            start = outcome.number + 1


def _one_child(seed: int, adapter: str, start: int, stop: int) -> Iterator[Outcome]:
    context = get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_work, args=(seed, adapter, start, stop, theirs), daemon=True)
    child.start()
    theirs.close()
    try:
        while start < stop:
            if not ours.poll(LONGEST_SILENCE_S):
                yield Outcome(start, "fault", "hang outside Python", f"no answer for {LONGEST_SILENCE_S:g} s")
                return
            outcome: Outcome = ours.recv()
            yield outcome
            start = outcome.number + 1
            if outcome.signature == "memory":
                return  # a fresh child, because the most memory used never falls
    except EOFError:
        child.join(10)
        yield Outcome(start, "fault", f"the process died with code {child.exitcode}", "")
    finally:
        child.kill()
        child.join()


def _work(seed: int, name: str, start: int, stop: int, pipe: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    warnings.simplefilter("error")
    adapter = adapter_named(name)
    own, everything = seeds_of(adapter), list(every_seed())
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        for number in range(start, stop):
            one = make_input(seed, adapter, number, own=own, all_seeds=everything)
            pipe.send(run_trial(one, adapter, Path(folder) / "sortie"))
