"""Programmes maltreated, over and over: python -m tests.torture --trials 200 --seed 7 [--kind moment ...]

Every trial copies a small programme, begins a piece of work on it in a process of its own (add, replace, remove,
rebuild, redetect) and ends that process, or takes its disk away, or reads meanwhile. Afterwards the programme has to
open, every sortie in it has to be wholly the old or wholly the new one, the same work has to succeed when it is
begun again, and every answer has to be that of a programme nobody touched.

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

from .bench import Bench
from .trial import KINDS, Trial, run_trial
from .work import WORKS


def main() -> int:
    """Run the trials and print a table; 1 when any went wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--kind", action="append", choices=tuple(KINDS), help="default: moment, step, commit")
    parser.add_argument("--folder", type=Path, help="where the programmes are made; default: a temporary folder")
    options = parser.parse_args()
    kinds = options.kind or ["moment", "step", "commit"]
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        bench = Bench(Path(folder))
        bench.set_up()
        return _run_all(bench, kinds, trials=options.trials, seed=options.seed)


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
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
