"""A handful of the trials that `python -m tests.torture` does by the hundred."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.torture.bench import Bench
from tests.torture.trial import Trial, run_trial

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork"), reason="forks"),
    # the children only call what is forked with them; the parent has no thread at work meanwhile
    pytest.mark.filterwarnings("ignore:.*multi-threaded.*:DeprecationWarning"),
]

TRIALS = [
    ("step", "add", 0.9),
    ("step", "replace", 0.75),
    ("step", "remove", 0.5),
    ("moment", "rebuild", 0.5),
    ("commit", "add", 0.3),
    ("limit", "add", 0.2),
    ("limit", "replace", 0.4),
    ("readers", "replace", 0.0),
    ("writers", "rebuild", 0.0),
]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    bench = Bench(tmp_path_factory.mktemp("torture"))
    bench.set_up()
    yield bench


@pytest.mark.parametrize(("kind", "work", "chance"), TRIALS)
def test_a_disturbance_leaves_a_whole_programme(bench: Bench, kind: str, work: str, chance: float) -> None:
    outcome = run_trial(bench, Trial(TRIALS.index((kind, work, chance)), kind, work, chance))
    assert outcome.fault is None, outcome.fault
    if kind == "step":
        assert outcome.ended == "killed"
    if kind == "limit":
        assert outcome.ended == "told"
