"""How answers slow down as a programme grows: python -m tests.bench.plot_store docs/scale.svg FOLDER FOLDER ...

The folders are programmes of `synthetic_programme` of growing size. Prints Markdown (medians of rounds, files in the page
cache) and draws the wall times; the last point, 10,000 flights, is the straight line through the two largest programmes.
"""

from __future__ import annotations

import argparse
import functools
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import matplotlib.pyplot as plt

from trimshot.store.connection import connect_memory
from trimshot.store.find import find
from trimshot.store.pieces import MAIN_CHANNELS
from trimshot.store.programme import Programme

from .bench_fetch import CHANNELS, CONDITION
from .bench_store import CLOCK, SAMPLES, STATES_ALONE
from .rounds import Timing, compare

FAR = 10_000
RAW = "raw scan of the columns"
COMMAND = [sys.executable, "-c", "from trimshot.reports.cli import main; main()"]
Times = dict[int, dict[str, Timing]]  # flights -> question -> what it took


def main() -> None:
    """Measure every programme, print the table, draw the picture."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.plot_store", description=__doc__)
    parser.add_argument("picture", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    times: Times = {}
    for folder in asked.folders:
        files = sorted(str(path) for path in folder.glob("sorties/*/frame.parquet"))
        times[len(files)] = compare(questions(folder, files), RAW, rounds=asked.rounds)
        print(table({len(files): times[len(files)]}), flush=True)
    draw(times, asked.picture)


def questions(folder: Path, files: Sequence[str]) -> Mapping[str, Callable[[], object]]:
    """What is measured, by name."""
    store = Programme(folder)
    found = store.find(CONDITION, 5.0).frame
    return {
        RAW: functools.partial(scan, files),
        "opening every frame": functools.partial(count, files),
        "find, states": lambda: find(folder, STATES_ALONE, 10.0),
        "find, samples": lambda: find(folder, SAMPLES, 10.0),
        "command, states": functools.partial(run_command, folder, STATES_ALONE),
        "command, samples": functools.partial(run_command, folder, SAMPLES),
        "five channels of one stretch": lambda: store.fetch_stretches(found.head(1), CHANNELS),
        "means over 500 stretches": lambda: store.summarise(found.head(500), CHANNELS),
    }


def scan(files: Sequence[str]) -> None:
    """The very columns the question about samples needs, counted by a DuckDB that does nothing else."""
    counts = ", ".join(f"count({name})" for name in (*CLOCK, "flap", "vertical_speed", *MAIN_CHANNELS))
    with connect_memory() as connection:
        connection.execute(f"SELECT {counts} FROM read_parquet(?)", [list(files)]).fetchall()


def count(files: Sequence[str]) -> None:
    """Every file opened and its footer read, no column."""
    with connect_memory() as connection:
        connection.execute("SELECT count(*) FROM read_parquet(?)", [list(files)]).fetchall()


def run_command(folder: Path, condition: str) -> None:
    """`trimshot find`, the table drawn into a pipe."""
    words = [*COMMAND, "--programme", str(folder), "find", condition, "--at-least", "10s"]
    subprocess.run(words, check=True, capture_output=True, env=as_installed())


@functools.cache
def as_installed() -> dict[str, str]:
    """An environment in which modules are compiled once, as those of an installed program are."""
    others = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**others, "PYTHONPYCACHEPREFIX": tempfile.mkdtemp()}


def table(times: Times) -> str:
    """Markdown: wall ms and ratio to the raw scan."""
    rows = [
        f"| {flights:,} | {name} | {one.wall_s * 1e3:.0f} | {one.ratio:.2f} |"
        for flights, some in times.items()
        for name, one in some.items()
    ]
    return "\n".join(["| flights | question | wall ms | of the raw scan |", "|---|---|---|---|", *rows])


def draw(times: Times, picture: Path) -> None:
    """Wall times against flights, both on logarithmic scales."""
    plt.rcParams["svg.hashsalt"] = "scale"
    figure, axes = plt.subplots(figsize=(7, 4.5), layout="constrained")
    sizes = sorted(times)
    for name in times[sizes[0]]:
        seconds = [times[size][name].wall_s for size in sizes]
        line = axes.plot(sizes, seconds, marker="o", markersize=4, label=name)[0]
        if len(sizes) > 1:
            slope = (seconds[-1] - seconds[-2]) / (sizes[-1] - sizes[-2])
            far = max(seconds[-1] + slope * (FAR - sizes[-1]), seconds[-1])
            axes.plot([sizes[-1], FAR], [seconds[-1], far], color=line.get_color(), linestyle=":")
            print(f"{name}, {FAR:,} flights, extrapolated: {far:.2f} s")
    axes.set(xscale="log", yscale="log", xlabel="flights of 36,000 rows (dotted: extrapolated)", ylabel="wall time, s")
    axes.grid(visible=True, which="both", linewidth=0.3)
    figure.legend(loc="outside right upper", fontsize=8, frameon=False)
    figure.savefig(picture, metadata={"Date": None})


if __name__ == "__main__":
    main()
