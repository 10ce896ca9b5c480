"""`python -m tests.bench.score_changes`: change points against people's annotations, every method at its default settings.

F1 (margin 5) and covering on the annotated series of tests/data/changepoints. Ours: the two-line search as detection uses
it, and the same penalty with exact mean shifts. Textbook: exact mean shifts of the library on the series in its
own deviations, penalty 3 log n. None: no change at all. Prints a Markdown table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import ruptures

from tests.change_scores import ANNOTATIONS, SERIES, Floats, covering, f1, load
from trimshot.detect.changepoints import find_changes, long_run_share
from trimshot.detect.kernel import kernel_search


def textbook(series: Floats) -> list[int]:
    """The library's exact search for mean shifts."""
    scaled = (series - series.mean()) / series.std(ddof=1)
    search = ruptures.KernelCPD("linear", min_size=2).fit(scaled)
    return [int(place) for place in search.predict(pen=3 * np.log(len(scaled)))][:-1]


METHODS: dict[str, Callable[[Floats], Sequence[int]]] = {
    "ours, two lines": lambda series: find_changes({"x": series}).tolist(),
    "ours, means": lambda series: find_changes({"x": series}, search=kernel_search).tolist(),
    "textbook means": textbook,
    "none": lambda _: [],
}


def main() -> None:
    """Print the table."""
    print(f"| series | memory | {' | '.join(METHODS)} |")
    print("|---" * (len(METHODS) + 2) + "|")
    rows = {name: [_scores(name, find) for find in METHODS.values()] for name in SERIES}
    for name, scores in rows.items():
        cells = [f"{one:.3f}, {cover:.3f}" for one, cover in scores]
        print(f"| {name} | {long_run_share(load(name)):.1f} | {' | '.join(cells)} |")
    means = np.mean(list(rows.values()), axis=0)
    print(f"| mean | | {' | '.join(f'{one:.3f}, {cover:.3f}' for one, cover in means)} |")


def _scores(name: str, find: Callable[[Floats], Sequence[int]]) -> tuple[float, float]:
    series, marks = load(name), ANNOTATIONS[name]
    found = find(series)
    return f1(marks, found), covering(marks, found, len(series))


if __name__ == "__main__":
    main()
