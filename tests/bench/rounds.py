"""Timing in interleaved rounds: what is compared runs side by side, so that a busy machine slows all of it alike."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """One case: median wall and processor seconds, and the median of its per-round ratios to the base case."""

    wall_s: float
    cpu_s: float
    ratio: float
    cpu_ratio: float


def compare(cases: Mapping[str, Callable[[], object]], base: str, *, rounds: int) -> dict[str, Timing]:
    """Every case once a round, in an order that rotates, one round unmeasured; ratios are taken within a round."""
    names = list(cases)
    wall: dict[str, list[float]] = {name: [] for name in names}
    cpu: dict[str, list[float]] = {name: [] for name in names}
    for number in range(rounds + 1):
        turn = number % len(names)
        for name in names[turn:] + names[:turn]:
            gc.collect()
            began, worked = time.perf_counter(), time.process_time()
            cases[name]()
            if number:
                wall[name].append(time.perf_counter() - began)
                cpu[name].append(time.process_time() - worked)
    return {
        name: Timing(
            statistics.median(wall[name]),
            statistics.median(cpu[name]),
            statistics.median(a / b for a, b in zip(wall[name], wall[base], strict=True)),
            statistics.median(a / b for a, b in zip(cpu[name], cpu[base], strict=True)),
        )
        for name in names
    }


def as_table(timings: Mapping[str, Timing]) -> str:
    """The timings as a Markdown table."""
    rows = ["| what | wall ms | processor ms | ratio, wall | ratio, processor |", "|---|---|---|---|---|"]
    for name, one in timings.items():
        rows.append(
            f"| {name} | {one.wall_s * 1e3:.0f} | {one.cpu_s * 1e3:.0f} | {one.ratio:.2f} | {one.cpu_ratio:.2f} |"
        )
    return "\n".join(rows)
