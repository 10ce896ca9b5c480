"""Remainders and unwrapping equal numpy's own, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.shared.circle import unwrap, within_turn


@pytest.mark.parametrize("turn", [2 * np.pi, 360.0])
@pytest.mark.parametrize("spread", [0.01, 0.1, 1.0, 10.0])
def test_both_give_what_numpy_gives(turn: float, spread: float) -> None:
    values = np.random.default_rng(7).normal(scale=spread * turn, size=4000)
    values[::17], values[::19], values[::501] = 0.0, -0.0, turn
    values[[3, 7]] = -1e-20, np.nextafter(turn, 0)
    assert within_turn(values, turn).tobytes() == (values % turn).tobytes()
    for path in (values, np.cumsum(values), np.cumsum(values) % turn, np.arange(50) * turn / 2):
        assert unwrap(path, turn).tobytes() == np.unwrap(path, period=turn).tobytes()


@pytest.mark.parametrize("values", [[], [1.0], [np.nan, 1.0, 7.0], [1.0, 8.0, np.nan, 3.0]])
def test_short_and_missing_samples(values: list[float]) -> None:
    path = np.array(values, dtype=np.float64)
    assert np.array_equal(within_turn(path, 2 * np.pi), path % (2 * np.pi), equal_nan=True)
    assert np.array_equal(unwrap(path, 2 * np.pi), np.unwrap(path, period=2 * np.pi), equal_nan=True)


def test_several_columns_at_once() -> None:
    values = np.linspace(-9.0, 9.0, 60).reshape(20, 3)
    assert within_turn(values, 2 * np.pi).tobytes() == (values % (2 * np.pi)).tobytes()
