"""Samples of found stretches: python -m tests.bench.bench_fetch PROGRAMME (one of `tests.bench.synthetic_programme`, or any).

Five channels of one stretch, and the summary of 500 stretches against the barest scan of the same columns of the same
sorties. Processor and wall time, medians of rounds.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from trimshot.store.connection import connect_memory
from trimshot.store.places import frame_file
from trimshot.store.programme import Programme

CHANNELS = ("indicated_airspeed", "pressure_altitude", "pitch", "engine_speed", "bank")
CONDITION = "flap = 'full' AND vertical_speed < 0"
ROUNDS = 7


def main() -> None:
    """Print one line per question."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_fetch", description=__doc__)
    parser.add_argument("programme", type=Path)
    store = Programme(parser.parse_args().programme)
    found = store.find(CONDITION, 5.0).frame
    few = found.head(500)
    spread = found.groupby("sortie", sort=False).head(1).head(500)
    print(f"{len(found)} stretches in {found['sortie'].nunique()} sorties")
    tell("five channels of one stretch", lambda: store.fetch_stretches(found.head(1), CHANNELS))
    for name, some in (("500 stretches one after the other", few), ("500 stretches of 500 sorties", spread)):
        sorties = some["sortie"].nunique()
        tell(f"summary of {len(some)} ({name}, {sorties} sorties)", lambda some=some: store.summarise(some, CHANNELS))  # type: ignore[misc]
        tell(f"bare scan of {sorties} sorties", lambda some=some: scan(store, some))  # type: ignore[misc]


def scan(store: Programme, stretches: pd.DataFrame) -> None:
    """The same columns of the same frames summed, by a DuckDB that does nothing else."""
    files = [str(frame_file(store.folder, name)) for name in stretches["sortie"].unique()]
    sums = ", ".join(f'sum("{name}")' for name in CHANNELS)
    connection = connect_memory()
    connection.execute(f"SELECT {sums} FROM read_parquet(?)", [files]).fetchall()
    connection.close()


def tell(name: str, work: Callable[[], object]) -> None:
    """Print the median wall and processor time of a few rounds, the first one left out."""
    walls, processor = [], []
    for _ in range(ROUNDS + 1):
        wall, used = time.perf_counter(), time.process_time()
        work()
        walls.append(time.perf_counter() - wall)
        processor.append(time.process_time() - used)
    print(
        f"{name}: {1e3 * statistics.median(walls[1:]):.0f} ms, processor {1e3 * statistics.median(processor[1:]):.0f} ms"
    )


if __name__ == "__main__":
    main()
