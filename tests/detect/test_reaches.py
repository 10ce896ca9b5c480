"""No good window goes beyond the reach, and what the reach settles need not be measured again."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.detect.test_points import discretes, display, engine
from trimshot.detect.criteria import FAMILIES, weigh_windows
from trimshot.detect.quantities import Quantities, quantities_of
from trimshot.detect.reaches import reaches_of, settled
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.shared.settings import PointCriteria, Settings


@pytest.fixture
def quantities(make_recording: Any) -> Quantities:
    recording = make_recording(display=display(), engine=engine(), discretes=discretes())
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    return quantities_of(grid, states.labels, states.flight.airborne)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_every_good_window_lies_within_the_reach(quantities: Quantities, family: str) -> None:
    limits, n = PointCriteria(), len(quantities.airborne)
    starts = np.arange(0, n, 5, dtype=np.int64)
    i, j = (a.ravel() for a in np.meshgrid(starts, np.arange(75, 300, 5), indexing="ij"))
    j = i + j
    i, j = i[j <= n], j[j <= n]
    flying = np.array([quantities.airborne[a:b].all() for a, b in zip(i, j, strict=True)])
    full = np.where(flying, weigh_windows(quantities, family, i, j, limits), 0.0)
    reach = reaches_of(quantities, starts, limits, least=75, most=300)[family][i // 5]
    assert full.any()
    assert (j[full > 0] <= reach[full > 0]).all()
    inside = j <= reach
    quick = weigh_windows(quantities, family, i[inside], j[inside], limits, settled(quantities, family, shortest=75))
    np.testing.assert_array_equal(quick, full[inside])
