"""A handful of the trials that `python -m tests.torture` does by the hundred."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.torture.bench import Bench
from tests.torture.disk import lay_out
from tests.torture.every import Moment, judge, moments
from tests.torture.strokes import why_not
from tests.torture.trial import Trial, run_trial
from trimshot.shared.errors import StoreError

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


@pytest.fixture(scope="module")
def torn(bench: Bench) -> list[Moment]:
    """A sortie taken out, ended in the middle of each write of more than a page."""
    if (reason := why_not()) is not None:
        pytest.skip(reason)
    return list(moments(bench, "remove", ["torn"]))


def test_the_last_block_of_the_catalog_written_by_half_is_mended(bench: Bench, torn: list[Moment]) -> None:
    moment = [one for one in torn if one.stroke.startswith("write programme.duckdb ")][-1]
    judge(bench, moment, lay_out(moment.state, bench.folder / "torn"))
    unkept = {path: held for path, held in moment.state.items() if not path.endswith(".before")}
    assert len(unkept) == len(moment.state) - 1
    with pytest.raises(StoreError, match="Corrupt database file"):
        judge(bench, moment, lay_out(unkept, bench.folder / "unkept"))


def test_any_write_may_be_the_last(bench: Bench, torn: list[Moment]) -> None:
    assert {one.stroke.split()[1] for one in torn} >= {"programme.duckdb", "programme.duckdb.before"}
    for moment in torn[::5]:
        judge(bench, moment, lay_out(moment.state, bench.folder / f"moment-{moment.number}"))


def test_without_strace_the_reason_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    reason = why_not()
    assert reason is not None
    assert "strace" in reason
    assert "\n" not in reason
