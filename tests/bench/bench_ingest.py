"""From a log to the store, measured against the barest reading of the same file: python -m tests.bench.bench_ingest

The base of every ratio is `pyarrow.parquet.write_table(pyarrow.csv.read_csv(file))` with default options: no hash, no
units, no checks, nothing flushed to disk. The files are made on the spot (see `flight`): 10 Hz, one hour, 40 channels.
The damaged file stops a plain reader, so its base reads the clean one. `--memory` adds a log of 1 GB (100 Hz, 12.5 h) in
a process of its own and tells that process's largest resident memory.
"""

from __future__ import annotations

import argparse
import cProfile
import itertools
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from trimshot.ingest.folder import open_sortie
from trimshot.ingest.reading import read_file
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.settings import Settings
from trimshot.store.prepare import gather, prepare, read_and_write
from trimshot.store.programme import create_programme

from .flight import write_clean, write_damaged
from .rounds import as_table, compare

BASE = "bare: read_csv, write_table"
BIG_HOURS, BIG_RATE_HZ = 12.5, 100
STAGES = (
    ("store/prepare.py", "gather", "copy and hash the sources"),
    ("shared/durable.py", "flush_tree", "flush the sources"),
    ("ingest/reading.py", "read_file", "read and map the file"),
    ("ingest/clock/alignment.py", "align", "clocks"),
    ("ingest/check/sensors.py", "check", "sensor checks"),
    ("ingest/derive.py", "derive", "derived channels"),
    ("shared/parquet.py", "write_track", "write the tracks"),
    ("detect/run.py", "look", "states, events, manoeuvres"),
    ("detect/points.py", "find_points", "points and their statistics"),
    ("store/frame.py", "build_frame", "frame"),
    ("store/frame.py", "write_frame", "write the frame"),
    ("store/rows.py", "catalog_rows", "catalog rows"),
    ("store/commit.py", "commit", "commit"),
)


def main() -> None:
    """Run what the command line asks for and print Markdown."""
    told = (__doc__ or "").split("\n")[0]
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_ingest", description=told)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--memory", action="store_true", help="only the memory a log of 1 GB takes")
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        if asked.measure:
            _measure_one(asked.measure, Path(scratch))
        elif asked.memory:
            _measure_memory(Path(scratch))
        else:
            _measure_speed(Path(scratch), asked.rounds)


def _measure_speed(scratch: Path, rounds: int) -> None:
    bare = scratch / "bare.csv"
    write_clean(bare)
    for kind, write in (("clean", write_clean), ("damaged", write_damaged)):
        log = scratch / kind / f"{kind}.csv"
        log.parent.mkdir()
        write(log)
        print(f"\n{kind} file, {log.stat().st_size / 1e6:.1f} MB, {rounds} rounds\n")
        print(as_table(compare(_cases(log, bare, rounds), BASE, rounds=rounds)))
        print(f"\n{_stage_table(_add(log, 2))}")


def _cases(log: Path, bare: Path, rounds: int) -> dict[str, Callable[[], object]]:
    return {
        BASE: lambda: pq.write_table(pacsv.read_csv(bare), bare.with_suffix(".parquet")),
        "adapter and mapping (`read_file`)": lambda: _read_one(log),
        "recording (`read_sortie`)": lambda: read_sortie(log, Settings()),
        "kept source, recording, track files; no detection": _before_detection(log),
        "`prepare`: the same with detection, frame, rows": _prepared(log),
        "`add`: the same with commit": _add(log, rounds + 1),
    }


def _read_one(log: Path) -> None:
    with open_sortie(log) as (_, files):
        read_file(files[0], Settings())


def _before_detection(log: Path) -> Callable[[], None]:
    """Source copied, hashed and flushed, read, checked, derived; every track written and flushed."""
    places = _fresh(log.parent / "tracks")

    def work() -> None:
        with ThreadPoolExecutor(1) as writer:
            _, written = read_and_write(gather(log, next(places)), Settings(), writer)
            written.result()

    return work


def _prepared(log: Path) -> Callable[[], object]:
    places = _fresh(log.parent / "prepared")
    return lambda: prepare(gather(log, next(places)), Settings())


def _add(log: Path, times: int) -> Callable[[], None]:
    places = _fresh(log.parent / f"programmes_{times}")
    programmes = iter([create_programme(next(places)) for _ in range(times)])

    def work() -> None:
        report = next(programmes).add([log])
        assert [one.status for one in report.sorties] == ["added"], report

    return work


def _fresh(parent: Path) -> Iterator[Path]:
    parent.mkdir()
    return (parent / str(number) for number in itertools.count())


def _stage_table(work: Callable[[], None]) -> str:
    """Where an add spends its time; the profiler makes all of it slower, the shares stay."""
    work()
    profile = cProfile.Profile()
    profile.runcall(work)
    found = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    rows = ["| stage of an add | ms under the profiler |", "|---|---|"]
    for file, function, words in STAGES:
        spent = [v[3] for (path, _, name), v in found.items() if path.endswith(file) and name == function]
        rows.append(
            f"| {words} | {sum(spent) * 1e3:.0f} |" if spent else f"| {words} | beside, in the writer's thread |"
        )
    return "\n".join(rows)


def _measure_memory(scratch: Path) -> None:
    log = scratch / "large.csv"
    write_clean(log, hours=BIG_HOURS, rate_hz=BIG_RATE_HZ)
    command = [sys.executable, "-m", "tests.bench.bench_ingest", "--measure", str(log)]
    print(subprocess.run(command, check=True, capture_output=True, text=True).stdout, end="")


def _measure_one(log: Path, scratch: Path) -> None:
    began = time.perf_counter()
    _add(log.rename(scratch / log.name), 1)()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(
        f"{(scratch / log.name).stat().st_size / 1e9:.2f} GB log: {time.perf_counter() - began:.0f} s, peak {peak / 1e6:.0f} MB"
    )


if __name__ == "__main__":
    main()
