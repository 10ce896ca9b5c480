"""Change points of a sortie: noise scale, penalty and gaps around any search.

Points use them where gear or flap is not recorded: a common change of energy rate and pitch
attitude then ends a window as a moving lever would (`quantities`). Where the configuration is
recorded they are not needed: steady windows are found exactly, without proposals.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..shared.recording import Floats
from .search import Search, two_line_search
from .signal import Indices, runs

PENALTY_FACTOR = 3.0  # the textbooks' 2 to 3, of noise without memory
LARGEST_FACTOR = 40.0  # of noise with a long one, as gusts have (measured with simulated turbulence)
LAG = 5
NEIGHBOURS = 7
MOST_NOISES = 3.0


def find_changes(
    signals: Mapping[str, Floats], *, minimum: int = 2, factor: float = PENALTY_FACTOR, search: Search = two_line_search
) -> Indices:
    """Change points common to the signals: rising int64 indices, each the first sample of a new stretch.

    signals: name -> float64 (n,), each in its own unit; NaN anywhere is a gap: stretches between gaps
    are searched on their own and the gaps' edges are no changes. A signal that never changes is
    left out. Lone samples far from their neighbours are drawn in (`drawn_in`). The penalty is factor x channels x log(n)
    for noise without memory. Noise that remembers moves a mean as much as fewer samples would: each signal counts by its
    long-run noise (`long_run_share`), which is a penalty of up to LARGEST_FACTOR x log(n) for that channel.
    """
    scales = [(row, noise_scale(row)) for row in signals.values()]
    rows = [drawn_in(row, scale) / (scale * np.sqrt(long_run_share(row))) for row, scale in scales if scale > 0]
    if not rows:
        return np.empty(0, np.int64)
    stack = np.stack(rows)
    penalty = factor * len(rows) * np.log(max(stack.shape[1], 2))
    found = []
    for first, stop in runs(np.asarray(np.isfinite(stack).all(axis=0))):
        found.append(first + search(stack[:, first:stop], penalty, minimum))
    return np.concatenate(found).astype(np.int64) if found else np.empty(0, np.int64)


def noise_scale(values: Floats) -> float:
    """Noise of one signal from differences over LAG samples; zero for a signal that never changes.

    Median absolute difference, over sqrt(2) and 0.6745 (normal noise). A signal that mostly
    stands still (a switch) has no noise to measure: a fortieth of its spread serves instead.
    """
    known = values[np.isfinite(values)]
    if len(known) < 2 or known.min() == known.max():
        return 0.0
    scatter = _difference(known, _lag(known)) / 0.6745 / np.sqrt(2.0)
    return float(max(scatter, float(known.std()) / 40.0))


def long_run_share(values: Floats) -> float:
    """Long-run variance of the noise over that of a sample: 1 without memory, at most LARGEST_FACTOR / PENALTY_FACTOR.

    For noise that remembers a share p of the sample before, (1 + p) / (1 - p) (G. U. Yule's first-order scheme); p from
    the median differences over one sample and over LAG: their squares are as 1 to 1 + p + p2 + ... + p to the LAG - 1.
    """
    known = values[np.isfinite(values)]
    lag = _lag(known) if len(known) > 1 else 1
    near, far = (_difference(known, lag_) for lag_ in (1, lag)) if lag > 1 else (0.0, 0.0)
    if not far:  # too short to tell, or mostly standing still
        return 1.0
    largest = LARGEST_FACTOR / PENALTY_FACTOR
    memory = np.linspace(0.0, (largest - 1) / (largest + 1), 200)
    expected = 1.0 / np.polynomial.polynomial.polyval(memory, np.ones(lag))  # falls from 1
    p = float(np.interp(-((near / far) ** 2), -expected, memory))
    return (1.0 + p) / (1.0 - p)


def _lag(known: Floats) -> int:
    return max(1, min(LAG, len(known) // 8))


def _difference(known: Floats, lag: int) -> float:
    return float(np.median(np.abs(known[lag:] - known[:-lag])))


def drawn_in(values: Floats, scale: float) -> Floats:
    """The signal with samples no further than MOST_NOISES noises from the median of the seven around them.

    Squares give one wild sample the weight of a change; capped it has that of a large residual (P. J. Huber, Robust
    estimation of a location parameter, Annals of Mathematical Statistics 35, 1964). A step has the median of its own side.
    """
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return values.copy()
    filled = np.interp(np.arange(len(values)), known, values[known])
    padded = np.pad(filled, NEIGHBOURS // 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS), axis=1)
    drawn = middle + np.clip(values - middle, -MOST_NOISES * scale, MOST_NOISES * scale)
    return np.asarray(drawn, dtype=np.float64)
