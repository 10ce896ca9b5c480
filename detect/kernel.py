"""The reference search: penalised kernel change points of the ruptures library.

A mean-shift model: right for steps, wrong for ramps (it puts points inside them). Kept as the
alternative and as an independent check; detection does not load it.
"""

from __future__ import annotations

import numpy as np
import ruptures

from ..shared.recording import Floats
from .signal import Indices


def kernel_search(signals: Floats, penalty: float, minimum: int = 2) -> Indices:
    """Exact penalised mean-shift change points (linear kernel): a `search.Search`.

    signals: float64 (d, n), finite, unit noise. A linear kernel's cost is the squared residual
    about the mean, so the penalty is in the same unit as the two-line search's.
    """
    length = signals.shape[1]
    if length < 2 * minimum or not signals.shape[0]:
        return np.empty(0, np.int64)
    found = ruptures.KernelCPD(kernel="linear", min_size=minimum, jump=1).fit(signals.T).predict(pen=penalty)
    return np.asarray(found[:-1], dtype=np.int64)
