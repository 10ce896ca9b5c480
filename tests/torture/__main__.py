"""Programmes maltreated, over and over: python -m tests.torture --trials 200 --seed 7 [--kind moment ...]

Every trial copies a small programme, begins a piece of work on it in a process of its own (add, replace, remove,
rebuild, redetect) and ends that process, or takes its disk away, or reads meanwhile. Afterwards the programme has to
open, every sortie in it has to be wholly the old or wholly the new one, the same work has to succeed when it is
begun again, and every answer has to be that of a programme nobody touched.

The verdict holds for the program as it is when the trials begin: when its files change meanwhile, that is told.

Kinds: moment (SIGKILL at a random moment), step (SIGKILL at a random change of the folder), commit (the end within
150 ms of a rename into sorties/), limit (no file may grow beyond a random size), disk (a full disk, mounted small;
needs root), readers (two readers while the work is done), writers (two processes do the same work at once).
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import trimshot.store

from .bench import Bench
from .every import WAYS, try_every_moment
from .strokes import why_not
from .trial import KINDS, Trial, run_trial
from .work import WORKS


def main() -> int:
    """Run the trials and print a table; 1 when any went wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--kind", action="append", choices=tuple(KINDS), help="default: moment, step, commit")
    parser.add_argument("--folder", type=Path, help="where the programmes are made; default: a temporary folder")
    parser.add_argument(
        "--every", action="store_true", help="instead of random trials every moment of the works (strace)"
    )
    parser.add_argument("--work", action="append", choices=tuple(WORKS), help="of --every; default: all")
    parser.add_argument("--way", action="append", choices=WAYS, help="of --every; default: all")
    parser.add_argument("--step", type=int, default=1, help="of --every: only each so many-th moment")
    parser.add_argument("--workers", type=int, default=2, help="of --every: moments tried at a time")
    options = parser.parse_args()
    if options.every and (reason := why_not()) is not None:
        print(f"--every {reason}", file=sys.stderr)
        return 2
    kinds = options.kind or ["moment", "step", "commit"]
    begun = _newest_file()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        bench = Bench(Path(folder))
        bench.set_up()
        if options.every:
            works, ways = options.work or list(WORKS), options.way or list(WAYS)
            faults = try_every_moment(bench, works, ways, step=options.step, workers=options.workers)
        else:
            faults = _run_all(bench, kinds, trials=options.trials, seed=options.seed)
    if _newest_file() != begun:
        print("the program's files changed meanwhile: these verdicts are worth nothing", file=sys.stderr)
        return 3
    return 1 if faults else 0


def _newest_file() -> tuple[int, int]:
    """When the newest of the program's files was written, and how many there are."""
    root = Path(trimshot.store.__file__).resolve().parents[1]
    folders = ("shared", "ingest", "detect", "store", "reports")
    times = [path.stat().st_mtime_ns for folder in folders for path in (root / folder).rglob("*.py")]
    return max(times), len(times)


def _run_all(bench: Bench, kinds: list[str], *, trials: int, seed: int) -> int:
    chance = random.Random(seed)
    counts: Counter[tuple[str, str, str]] = Counter()
    faults = 0
    begun = time.monotonic()
    for number in range(trials):
        trial = Trial(number, kinds[number % len(kinds)], chance.choice(tuple(WORKS)), chance.random())
        outcome = run_trial(bench, trial)
        counts[trial.kind, trial.work, outcome.ended] += 1
        if outcome.fault:
            faults += 1
            print(f"trial {number} {trial}: {outcome.fault}", flush=True)
    for (kind, work, ended), count in sorted(counts.items()):
        print(f"{kind:8} {work:9} {ended:12} {count:5}")
    print(f"{trials} trials in {time.monotonic() - begun:.0f} s, {faults} faults")
    return faults


if __name__ == "__main__":
    sys.exit(main())
