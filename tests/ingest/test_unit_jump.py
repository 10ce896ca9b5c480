"""Which largest step stands out of a channel's others: counted first, the same answer as by sorting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from trimshot.ingest.check.unit_changes import JUMP_NOISE, _stands_out


def by_sorting(steps: np.ndarray) -> bool:
    """The rule itself: the largest step against the 90th percentile of the others (numpy's, not ours)."""
    largest = int(np.argmax(steps))
    return bool(steps[largest] >= JUMP_NOISE * (float(np.percentile(np.delete(steps, largest), 90)) + 1e-9))


@settings(max_examples=200, deadline=None)
@given(arrays(np.float64, st.integers(15, 60), elements=st.sampled_from([0.0, 1e-10, 0.5, 0.99999999999, 1.0, 15.0])))
def test_counting_and_sorting_agree_on_coarse_steps_and_ties(steps: np.ndarray) -> None:
    assert _stands_out(steps, int(np.argmax(steps))) == by_sorting(steps)


@pytest.mark.parametrize("small", range(100))
def test_agree_whatever_share_of_the_steps_is_small(small: int) -> None:
    """Around nine small steps in ten the answer turns over: both ways turn at the same place."""
    steps = np.full(101, 1.5)
    steps[:small], steps[-1] = 0.5, 15.0  # 15 times more than one: small steps lie below the limit, the others above
    assert _stands_out(steps, 100) == by_sorting(steps)


def test_the_answer_turns_over() -> None:
    steps = np.full(101, 1.5)
    steps[-1] = 15.0
    assert not _stands_out(steps, 100)
    steps[:95] = 0.5
    assert _stands_out(steps, 100)
