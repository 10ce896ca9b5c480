"""What the catalog tells of a channel's values: how many there are, how many are known, between which bounds."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.store.rows import _extent

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ([3.0, -1.5, 2.0], {"samples": 3, "valid": 3, "low": -1.5, "high": 3.0}),
        ([3.0, NAN, -1.5], {"samples": 3, "valid": 2, "low": -1.5, "high": 3.0}),
        ([NAN, 4.0], {"samples": 2, "valid": 1, "low": 4.0, "high": 4.0}),
        ([NAN, NAN], {"samples": 2, "valid": 0}),
        ([1.0, INF, 2.0], {"samples": 3, "valid": 2}),  # the finite ones bound nothing
        ([-INF, 1.0], {"samples": 2, "valid": 1}),
        ([NAN, INF, 1.0], {"samples": 3, "valid": 1}),
        ([], {"samples": 0, "valid": 0}),
    ],
)
def test_bounds_are_told_of_finite_values_only(values: list[float], told: dict[str, float]) -> None:
    """Expected by hand."""
    assert _extent(np.array(values, dtype=np.float64)) == told
    assert _extent(np.array(values, dtype=np.float32)) == told
