"""`python -m tests.coverage [PROGRAMMES]`: how often the 95 % bands hold the truth in made-up programmes."""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from .programmes import Checked, check, make_programme

SIZES = ((1, 10), (2, 10), (4, 8), (8, 8))  # flights, points of each


def main(programmes: int) -> None:
    """Print a line per size of programme and quantity."""
    print("flights x points | quantity | holds the truth | median half width | median error")
    for flights, points in SIZES:
        told: dict[str, list[Checked]] = defaultdict(list)
        for seed in range(programmes):
            for one in check(make_programme(1000 * flights + seed, flights, points)):
                told[one.quantity].append(one)
        for quantity, found in told.items():
            share = np.mean([one.holds for one in found])
            width, error = (np.median(np.abs([getattr(one, n) for one in found])) for n in ("half_width", "error"))
            print(f"{flights} x {points} | {quantity} | {share:.1%} of {len(found)} | {width:.1%} | {error:.1%}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
