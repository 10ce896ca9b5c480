"""How long every reduction takes over a programme: python -m tests.bench.bench_reduce PROGRAMME [--aircraft NAME]

Processor and wall milliseconds of the second of two runs in one process: gathering the points, and the reduction with
its sheet. A reduction that cannot be made of this programme says so.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.present import context_of
from trimshot.reports.reductions.registry import REDUCTIONS, Reduction
from trimshot.shared.errors import TrimshotError
from trimshot.store.programme import Programme, open_programme

Result = TypeVar("Result")


def main() -> None:
    """Print one line per reduction, as Markdown."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_reduce", description=__doc__)
    parser.add_argument("programme", type=Path)
    parser.add_argument("--aircraft")
    asked = parser.parse_args()
    programme = open_programme(asked.programme)
    print("| reduction | points, processor ms | reduction, processor ms | both, wall ms |\n|---|---|---|---|")
    for reduction in REDUCTIONS:
        try:
            for _ in range(2):
                evidence, gathering, waited = timed(lambda: gather_evidence(programme, aircraft=asked.aircraft))
                _, reducing, waited_too = timed(lambda one=reduction, all_=evidence: sheet_of(one, all_, programme))  # type: ignore[misc]
        except TrimshotError as error:
            print(f"| {reduction.name} | {error.what} | | |")
            continue
        print(f"| {reduction.name} | {gathering:.0f} | {reducing:.0f} | {waited + waited_too:.0f} |", flush=True)


def sheet_of(reduction: Reduction, evidence: Evidence, programme: Programme) -> object:
    """The reduction in display units."""
    return context_of(reduction.run(evidence), programme.settings)


def timed(work: Callable[[], Result]) -> tuple[Result, float, float]:
    """What the work gives, its processor and wall milliseconds."""
    wall, used = time.perf_counter(), time.process_time()
    result = work()
    return result, 1e3 * (time.process_time() - used), 1e3 * (time.perf_counter() - wall)


if __name__ == "__main__":
    main()
