"""From a log to the store, measured against the barest reading of the same file: python -m tests.bench.bench_ingest

The base of every ratio is `pyarrow.parquet.write_table(pyarrow.csv.read_csv(file))` with default options: no hash, no
units, no checks, nothing flushed to disk. The files are made on the spot (see `flight`): 10 Hz, one hour, 40 channels.
"""

from __future__ import annotations

import argparse
import cProfile
import itertools
import pstats
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from trimshot.ingest.folder import open_sortie
from trimshot.ingest.reading import read_file
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.parquet import write_track
from trimshot.shared.settings import Settings
from trimshot.store.prepare import gather, prepare
from trimshot.store.programme import create_programme

from .flight import write_clean, write_damaged
from .rounds import as_table, compare

BASE = "bare: read_csv, write_table"


def main() -> None:
    """Run what the command line asks for and print Markdown."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_ingest", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--stages", action="store_true", help="also a table of where an add spends its time")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        for kind, write in (("clean", write_clean), ("damaged", write_damaged)):
            folder = Path(scratch, kind)
            folder.mkdir()
            log = folder / f"{kind}.csv"
            write(log)
            print(f"\n{kind} file, {log.stat().st_size / 1e6:.1f} MB, {asked.rounds} rounds\n")
            print(as_table(compare(_cases(log, write_bare(Path(scratch), kind)), BASE, rounds=asked.rounds)))
            if asked.stages:
                print(_stage_table(_add(log)))


def write_bare(scratch: Path, kind: str) -> Path:
    """The file the base reads: the damaged one stops a plain reader, so its base is the clean one."""
    path = scratch / f"bare_{kind}.csv"
    write_clean(path)
    return path


def _cases(log: Path, bare: Path) -> dict[str, Callable[[], object]]:
    return {
        BASE: lambda: pq.write_table(pacsv.read_csv(bare), bare.with_suffix(".parquet")),
        "adapter and mapping (`read_file`)": lambda: _read_one(log),
        "recording (`read_sortie`)": lambda: read_sortie(log, Settings()),
        "kept source, recording, track files; no detection": _before_detection(log),
        "`prepare`: the same with detection, frame, rows": _prepared(log),
        "`add`: the same with commit": _add(log),
    }


def _read_one(log: Path) -> None:
    with open_sortie(log) as (_, files):
        read_file(files[0], Settings())


def _before_detection(log: Path) -> Callable[[], None]:
    """Source copied, hashed and flushed, read, checked, derived; every track written and flushed."""
    places = _fresh(log.parent / "tracks")

    def work() -> None:
        gathered = gather(log, next(places))
        recording = read_sortie(gathered.place / "source", Settings())
        for track in recording.tracks:
            write_track(track, recording.start_utc, gathered.place / f"{track.name}.parquet")

    return work


def _prepared(log: Path) -> Callable[[], None]:
    places = _fresh(log.parent / "prepared")
    return lambda: prepare(gather(log, next(places)), Settings()) and None


def _add(log: Path) -> Callable[[], None]:
    places = _fresh(log.parent / "programmes")
    ready = iter([])  # type: ignore[var-annotated]

    def work() -> None:
        report = create_programme(next(places)).add([log])
        assert [one.status for one in report.sorties] == ["added"], report

    del ready
    return work


def _fresh(parent: Path):  # type: ignore[no-untyped-def]
    shutil.rmtree(parent, ignore_errors=True)
    parent.mkdir()
    return (parent / str(number) for number in itertools.count())


def _stage_table(work: Callable[[], None]) -> str:
    work()
    profile = cProfile.Profile()
    profile.runcall(work)
    return str(pstats.Stats(profile))


if __name__ == "__main__":
    main()
