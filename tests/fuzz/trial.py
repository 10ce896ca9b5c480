"""One input of the fuzz run: made from (seed, adapter, number), tried, and its outcome told."""

from __future__ import annotations

import random
import resource
import shutil
import signal
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trimshot.ingest.raw import Adapter

from .mutations import mutate
from .rules import GOOD, GOOD_NAME, PROFILES, check_folder, check_reading
from .seeds import Seed

MOST_SECONDS = 5.0  # of the processor's time
MOST_BYTES = 500 << 20
FOLDER_SHARE = 0.04  # of the inputs that go the whole way, beside a good file


class Hang(BaseException):
    """An input took longer than it may; not an Exception, so that no handler swallows it."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input and how it came about."""

    number: int
    name: str
    content: bytes
    changes: tuple[str, ...]
    profile: int
    whole_way: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one input: kind is 'claimed read', 'forced refused' ... or 'fault'."""

    number: int
    kind: str
    signature: str = ""
    text: str = ""


def make_input(seed: int, adapter: Adapter, number: int, *, own: list[Seed], all_seeds: list[Seed]) -> Input:
    """The input of that number: always the same for the same seeds."""
    rng = random.Random(f"{seed} {adapter.name} {number}")
    first, other = rng.choice(own), rng.choice(all_seeds if rng.random() < 0.3 else own)
    content, changes = mutate(rng, first.content, other.content)
    suffix = Path(first.name if rng.random() < 0.95 else other.name).suffix
    return Input(
        number, f"damaged{suffix}", content, tuple(changes), rng.choice((0, 0, 1, 2)), rng.random() < FOLDER_SHARE
    )


def run_trial(one: Input, adapter: Adapter, folder: Path) -> Outcome:
    """The input written to an empty folder and tried; every fault caught and named."""
    before = resident_bytes()
    try:
        with time_limit(MOST_SECONDS):
            kind = _try(one, adapter, folder)
    except MemoryError as error:
        return _fault(one, "memory", error)
    except (Hang, Exception) as error:  # noqa: BLE001 - finding these is what the tool is for
        return _fault(one, "hang" if isinstance(error, Hang) else type(error).__name__, error)
    if resident_bytes() - before > MOST_BYTES:
        return Outcome(one.number, "fault", "memory", f"{(resident_bytes() - before) >> 20} MB more than before")
    return Outcome(one.number, kind)


def _try(one: Input, adapter: Adapter, folder: Path) -> str:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    path = folder / one.name
    path.write_bytes(one.content)
    kind = check_reading(adapter, path, PROFILES[one.profile])
    if one.whole_way:
        (folder / GOOD_NAME).write_bytes(GOOD)
        check_folder(folder)
    return kind


def resident_bytes() -> int:
    """The most memory this process ever had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Hang is raised inside the block once it has used that much of the processor's time."""

    def stop(*_: Any) -> None:
        raise Hang(f"more than {seconds:g} s")

    former: Callable[..., Any] | int | None = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, former)


def _fault(one: Input, kind: str, error: BaseException) -> Outcome:
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "trimshot" in f.filename or "/tests/" in f.filename] or frames
    last = next((f for f in reversed(ours) if "/tests/" not in f.filename), ours[-1])
    place = f"{Path(last.filename).parent.name}/{Path(last.filename).name}:{last.name}"
    rule = f" ({ours[-1].line})" if isinstance(error, AssertionError) else ""
    text = "".join(traceback.format_exception(error))[-4000:]
    return Outcome(one.number, "fault", f"{kind} in {place}{rule}", text)
