"""A question over many flights against the raw scan of the columns it needs: python -m tests.bench.bench_store FOLDER

FOLDER is a programme of `synthetic_programme`. The base is DuckDB's `count` of the very columns over all frames with
`read_parquet`; every ratio is taken within a round.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from trimshot.store.connection import connect_memory
from trimshot.store.find import find
from trimshot.store.pieces import MAIN_CHANNELS

from .rounds import as_table, compare

STATES_ALONE = "flap = 'full' AND phase = 'descent'"
SAMPLES = "flap = 'full' AND vertical_speed < fpm(-300)"
CLOCK = ("sortie", "gap", "i", "t", "until")


def main() -> None:
    """Measure and print Markdown."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_store", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    files = sorted(str(path) for path in asked.folder.glob("sorties/*/frame.parquet"))
    connection = connect_memory()

    def scan(*columns: str) -> None:
        counts = ", ".join(f"count({name})" for name in (*CLOCK, *columns, *MAIN_CHANNELS))
        connection.execute(f"SELECT {counts} FROM read_parquet(?)", [files]).fetchall()

    print(f"{len(files)} flights")
    for condition, columns in ((STATES_ALONE, ("flap", "phase")), (SAMPLES, ("flap", "vertical_speed"))):
        cases = {
            "raw scan": lambda columns=columns: scan(*columns),
            "from frames": lambda condition=condition: find(asked.folder, condition, 10.0, routes=("frames",)),
            "by the quickest way": lambda condition=condition: find(asked.folder, condition, 10.0),
        }
        print(f"\n{condition}\n\n{as_table(compare(cases, 'raw scan', rounds=asked.rounds))}")


if __name__ == "__main__":
    main()
