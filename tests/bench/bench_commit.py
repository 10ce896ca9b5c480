"""What committing a sortie costs: rows handed over as views or as variables, blocks of several sizes.

    python -m tests.bench.bench_commit            # 9 rounds, half a minute

The rows are those of the made-up hour of `bench_detect`. Each case makes a programme of its own; opening, inserting
with the commit, and letting go (the rows are brought into the file then) are measured apart, in processor time.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from trimshot.detect.run import detect
from trimshot.shared.settings import Settings
from trimshot.store import connection as connection_module
from trimshot.store.connection import create_catalog, write_catalog
from trimshot.store.frame import build_frame, state_runs
from trimshot.store.instance import reading_variables
from trimshot.store.places import CATALOG
from trimshot.store.rows import catalog_rows
from trimshot.store.schema import TABLES

from .bench_detect import make_recording

Rows = Mapping[str, pa.Table]
Insert = Callable[[duckdb.DuckDBPyConnection, Rows], None]


def main() -> None:
    """Run what the command line asks for and print Markdown."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.bench_commit", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--rounds", type=int, default=9)
    rounds = parser.parse_args().rounds
    rows = made_up_rows()
    cases: dict[str, tuple[Insert, str]] = {
        "views, blocks of 256 kB": (insert_views, "262144"),
        "variables, blocks of 256 kB": (insert_variables, "262144"),
        "variables, blocks of 64 kB": (insert_variables, "65536"),
        "variables, blocks of 16 kB": (insert_variables, "16384"),
    }
    spent: dict[str, list[tuple[float, ...]]] = {name: [] for name in cases}
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(rounds + 1):
            for name, (insert, block) in cases.items():
                folder = Path(scratch, f"{number} {name}")
                folder.mkdir()
                spent[name].append(commit_once(folder, rows, insert, block))
    print("| rows handed over as | opening, ms | insert and commit | letting go | file, MB |\n|---|---|---|---|---|")
    for name, some in spent.items():
        opened, inserted, closed, size = (statistics.median(column) for column in zip(*some[1:], strict=True))
        print(f"| {name} | {opened * 1e3:.1f} | {inserted * 1e3:.1f} | {closed * 1e3:.1f} | {size / 1e6:.1f} |")


def made_up_rows() -> Rows:
    """The catalog's rows of the made-up hour."""
    recording, settings = make_recording(hours=1, rate_hz=10), Settings()
    detection = detect(recording, settings)
    frame = build_frame(recording, state_runs(detection), settings)
    return catalog_rows(recording, detection, settings, frame=frame, content_hash="made", addition="made")


def commit_once(folder: Path, rows: Rows, insert: Insert, block: str) -> tuple[float, ...]:
    """Processor seconds of opening, of inserting with the commit, of letting go; bytes of the file then."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(connection_module, "_BLOCK_BYTES", block)
        create_catalog(folder)
    times = [time.process_time()]
    with write_catalog(folder) as connection:
        times.append(time.process_time())
        connection.execute("BEGIN")
        insert(connection, rows)
        connection.execute("COMMIT")
        times.append(time.process_time())
    times.append(time.process_time())
    return (
        *(after - before for before, after in pairwise(times)),
        (folder / CATALOG).stat().st_size,
    )


def insert_views(connection: duckdb.DuckDBPyConnection, rows: Rows) -> None:
    """Each table registered as a view, inserted, and taken back."""
    for table in TABLES:
        if table.name in rows and rows[table.name].num_rows:
            connection.register("incoming", rows[table.name])
            connection.execute(f"INSERT INTO {table.name} BY NAME SELECT * FROM incoming")
            connection.unregister("incoming")


def insert_variables(connection: duckdb.DuckDBPyConnection, rows: Rows) -> None:
    """Each table as the variable it is, as `store.commit` does it."""
    with reading_variables(connection):
        for table in TABLES:
            incoming = rows.get(table.name)
            if incoming is not None and incoming.num_rows:
                connection.execute(f"INSERT INTO {table.name} BY NAME SELECT * FROM incoming")


if __name__ == "__main__":
    main()
