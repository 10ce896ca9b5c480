"""Made-up nests with known components, and how often the bands of variance components hold them.

`python -m tests.coverage.nests 1000`: that many nests a line.
"""

from __future__ import annotations

import sys

import numpy as np

from trimshot.reports.reductions.variance_components import FEWEST_DEGREES, Nest, components_of

Deviations = tuple[float, float, float]  # standard deviations of points, flights, days

TRUE: Deviations = (0.02, 0.03, 0.025)
BALANCED = [[4, 4]] * 6
UNBALANCED = [[9], [3, 7, 2], [1, 1, 6], [5, 2], [12], [2, 2, 2, 2], [4, 8]]
# what -> points of each flight of each day, what is true
CASES: dict[str, tuple[list[list[int]], Deviations]] = {
    "six days of two flights, 48 points": (BALANCED, TRUE),
    "seven days, 15 uneven flights, 68 points": (UNBALANCED, TRUE),
    "the same, flights alike": (UNBALANCED, (0.02, 0.0, 0.03)),
    "the same, flights far apart": (UNBALANCED, (0.01, 0.06, 0.005)),
    "three days of two flights, 26 points": ([[3, 5], [4, 4], [8, 2]], TRUE),
    "three flights of one day, 25 points": ([[4, 9, 12]], (0.02, 0.03, 0.0)),
}


def drawn_nest(random: np.random.Generator, sizes: list[list[int]], *, deviations: Deviations = TRUE) -> Nest:
    """A nest with a line against a covariate and unequal weights; sizes: points of each flight of each day."""
    flights = [count for day in sizes for count in day]
    day = np.repeat(np.arange(len(sizes)), [sum(one) for one in sizes])
    flight = np.repeat(np.arange(len(flights)), flights)
    across, weight = random.uniform(0, 1, len(day)), random.uniform(0.3, 3.0, len(day))
    value = 0.1 + 0.4 * across + random.normal(0, deviations[2], len(sizes))[day]
    value += random.normal(0, deviations[1], len(flights))[flight] + random.normal(0, deviations[0] / np.sqrt(weight))
    return Nest(value, np.column_stack([np.ones(len(day)), across]), weight, flight, day)


def main(count: int) -> None:
    """One line a case: share of bands that hold the truth, and mean estimated variance over the true one."""
    print("| nest | within a flight | between flights | between days |\n|---|---|---|---|")
    for what, (sizes, deviations) in CASES.items():
        random = np.random.default_rng(1)
        found = [
            components_of(drawn_nest(random, sizes, deviations=deviations), unit="1", seed=i) for i in range(count)
        ]
        cells = []
        for level, true in enumerate(deviations):
            if found[0].degrees[level] < FEWEST_DEGREES:
                cells.append("not told")
                continue
            held = np.mean([one.deviations[level].holds(true) for one in found])
            mean = np.mean([one.variances[level] for one in found]) / true**2 if true else None
            cells.append(f"{100 * held:.1f} %" + (f", {mean:.2f}" if mean is not None else ""))
        print(f"| {what} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
