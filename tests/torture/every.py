"""Every moment of a work instead of random ones: the folder as a kill, or a power cut, would leave it there.

The work is done once under strace (strokes.py). Stroke by stroke the folder is made again (disk.py; at the end it has to be,
byte for byte, what the work itself left), and at every moment a programme is laid out four ways: as SIGKILL there leaves
it (kill); as SIGKILL in the middle of a write leaves it (torn); as a power cut leaves it that loses all that was not ordered
to the disk (power), or any pages of it (pages). What is the same as something laid out before is not tried again.
"""

from __future__ import annotations

import random
import shutil
import sys
import time
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from trimshot.shared.errors import StoreError
from trimshot.store.programme import Programme, open_programme

from .bench import Bench
from .children import Child, fork
from .disk import Disk, State, digest, lay_out, torn
from .strokes import record
from .work import check_after, check_kept

WAYS = ("kill", "torn", "power", "pages")


@dataclass(frozen=True)
class Moment:
    """Before stroke `number` of a work (its words in `stroke`), the way the work ended, and what the folder is then."""

    work: str
    number: int
    way: str
    stroke: str
    state: State
    told: bool = False  # the work had come to its end and said so: nothing of it may be lost

    def __str__(self) -> str:
        return f"{self.work} {self.way} at {self.number}, before: {self.stroke}"


@dataclass(frozen=True)
class _Try:
    moment: Moment
    folder: Path
    child: Child


def try_every_moment(bench: Bench, works: list[str], ways: list[str], *, step: int, workers: int) -> int:
    """Try the moments of the works, every `step`-th of them; print each fault whole, then a table. Gives the number of faults."""
    begun = time.monotonic()
    counts: Counter[tuple[str, str, str]] = Counter()
    under_way: deque[_Try] = deque()
    for work in works:
        for number, moment in enumerate(islice(moments(bench, work, ways), 0, None, step)):
            if len(under_way) == workers:
                _finish(under_way.popleft(), counts)
            under_way.append(_begin(bench, moment, number))
        while under_way:
            _finish(under_way.popleft(), counts)
        for (one, way, verdict), count in counts.items():
            if one == work:
                print(f"{one:9} {way:6} {verdict:8} {count:5}", flush=True)
    faults = sum(count for (_, _, verdict), count in counts.items() if verdict == "FAULT")
    print(f"{sum(counts.values())} moments in {time.monotonic() - begun:.0f} s, {faults} faults")
    return faults


def moments(bench: Bench, work: str, ways: list[str]) -> Iterator[Moment]:
    """Every different state of the folder while the work is done. Raises AssertionError when a change escaped strace."""
    folder = bench.copy(f"recorded-{work}")
    disk = Disk(folder)
    command = [sys.executable, "-m", "tests.torture.work", work, str(folder), str(bench.logs)]
    strokes = record(command, folder, bench.folder / f"{work}.strace")
    met: set[str] = set()
    chance = random.Random(work)
    for number, stroke in enumerate([*strokes, None]):
        words, told = ("its end", True) if stroke is None else (str(stroke), False)
        states = {"kill": disk.seen(), "power": disk.after_power_cut(), "pages": disk.with_pages_lost(chance)}
        if stroke is not None:
            part = torn(stroke)
            if part is not None:
                half = disk.copy()
                half.apply(part)
                states["torn"] = half.seen()
            disk.apply(stroke)
        for way in (way for way in ways if way in states):
            seen = digest(states[way])
            if seen not in met or told:
                met.add(seen)
                yield Moment(work, number, way, words, states[way], told)
    left = Disk(folder).seen()
    assert left == disk.seen(), f"strace missed changes of {[p for p in left if left[p] != disk.seen().get(p)]}"
    shutil.rmtree(folder)


def _begin(bench: Bench, moment: Moment, number: int) -> _Try:
    folder = bench.folder / f"moment-{moment.work}-{number}"
    lay_out(moment.state, folder)
    return _Try(moment, folder, fork(lambda: judge(bench, moment, folder)))


def judge(bench: Bench, moment: Moment, folder: Path) -> str:
    """Raise what is wrong with a moment that was laid out in a folder; "rebuilt" when it took a rebuild, as was told.

    A power cut may take pages out of the middle of what was being appended to the database's log; the database then
    refuses the log, and nobody can tell from outside whether that end of it had been committed.
    """
    verdict = "whole"
    if moment.way == "pages":
        verdict = _rebuilt_if_told(folder)
    known = bench.known[moment.work]
    states = [known.states[-1]] * 2 if moment.told else known.states
    if moment.told:
        check_kept(folder, moment.work)
    check_after(folder, moment.work, bench.logs, states=states, final=known.final)
    return verdict


def _rebuilt_if_told(folder: Path) -> str:
    try:
        open_programme(folder)
    except StoreError as error:
        if "Corrupt WAL file" not in str(error) or error.do is None or "trimshot rebuild" not in error.do:
            raise
        Programme(folder).rebuild()
        return "rebuilt"
    return "whole"


def _finish(one: _Try, counts: Counter[tuple[str, str, str]]) -> None:
    ending = one.child.wait()
    fault = ending.error or (f"the check died of signal {ending.signal}" if ending.signal else None)
    counts[one.moment.work, one.moment.way, "FAULT" if fault else str(ending.value)] += 1
    shutil.rmtree(one.folder)
    if fault:
        print(f"FAULT {one.moment}\n{fault}\n", flush=True)
