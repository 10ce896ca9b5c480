"""The fuzz run in small: a few hundred damaged inputs for every adapter, and every input that once was a fault."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.rules import GOOD, GOOD_NAME, PROFILES, check_folder, check_reading
from tests.fuzz.seeds import DATA, Seed, adapter_named, every_seed, seeds_of
from tests.fuzz.trial import Hang, Outcome, make_input, run_trial, time_limit
from trimshot.ingest.raw import Adapter
from trimshot.ingest.registry import ADAPTERS

SEED = 20310314
INPUTS = 200
# these start a process for every input, or take ten times as long as the others
FEWER = {"HDF5": 15, "delimited text": 120, "fixed-width text": 80, "JSON lines": 100}

FOUND = sorted((DATA / "fuzz").glob("*/*"))


def folder_of(adapter: Adapter) -> str:
    """Name of the adapter's folder of earlier faults."""
    return adapter.name.lower().replace(" ", "-")


@pytest.mark.parametrize("adapter", ADAPTERS, ids=folder_of)
def test_damaged_inputs_give_a_reading_or_an_error_of_ours(adapter: Adapter, tmp_path: Path) -> None:
    own, everything = seeds_of(adapter), list(every_seed())
    assert own, f"{adapter.name} has no sample to start from"
    faults: list[Outcome] = []
    kinds: set[str] = set()
    for number in range(FEWER.get(adapter.name, INPUTS)):
        one = make_input(SEED, adapter, number, own=own, all_seeds=everything)
        outcome = run_trial(one, adapter, tmp_path / "sortie")
        kinds.add(outcome.kind)
        if outcome.kind == "fault":
            faults.append(outcome)
    assert not faults, f"{len(faults)} faults, the first: {faults[0].number} {faults[0].signature}\n{faults[0].text}"
    assert "forced refused" in kinds or "claimed refused" in kinds  # the damage reaches what it is meant to


@pytest.mark.parametrize("path", FOUND, ids=[f"{p.parent.name}/{p.name}" for p in FOUND])
def test_an_input_that_was_a_fault_stays_none(path: Path, tmp_path: Path) -> None:
    adapter = next(a for a in ADAPTERS if folder_of(a) == path.parent.name)
    folder = tmp_path / "sortie"
    folder.mkdir()
    copy = folder / f"damaged{path.suffix}"
    copy.write_bytes(path.read_bytes())
    with time_limit(5.0):
        for profile in PROFILES:
            check_reading(adapter, copy, profile)
        (folder / GOOD_NAME).write_bytes(GOOD)
        check_folder(folder)


@pytest.mark.parametrize("adapter", ADAPTERS, ids=folder_of)
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    tail=st.binary(max_size=600) | st.text('0123456789.,;:-T Z"$*#eE+NaBU/\t\r\n<>[]{}=', max_size=400).map(str.encode),
    kept=st.integers(0, 300),
)
def test_any_bytes_behind_any_beginning(adapter: Adapter, tail: bytes, kept: int, tmp_path: Path) -> None:
    first = first_seed(adapter.name)
    path = tmp_path / f"any{Path(first.name).suffix}"
    path.write_bytes(first.content[:kept] + tail)
    with time_limit(5.0):
        check_reading(adapter, path, None)


@cache
def first_seed(name: str) -> Seed:
    """The adapter's first seed, found once."""
    return seeds_of(adapter_named(name))[0]


def test_the_same_seed_gives_the_same_inputs() -> None:
    adapter = ADAPTERS[0]
    own, everything = seeds_of(adapter), list(every_seed())
    one, again = (make_input(SEED, adapter, 7, own=own, all_seeds=everything) for _ in range(2))
    other = make_input(SEED, adapter, 8, own=own, all_seeds=everything)
    assert one == again
    assert one.content != other.content


def test_a_fault_is_seen(tmp_path: Path) -> None:
    # the tool itself: an adapter that breaks in each of the ways there are

    class Broken:
        """Claims everything and breaks."""

        name, version = ADAPTERS[0].name, 0

        def claims(self, file: object) -> object:
            """As the first adapter."""
            return ADAPTERS[0].claims(file)  # type: ignore[arg-type]

        def read(self, file: object, profile: object) -> object:
            """Raises what no reader may."""
            raise KeyError("lost")

    own, everything = seeds_of(ADAPTERS[0]), list(every_seed())
    one = make_input(SEED, ADAPTERS[0], 0, own=own, all_seeds=everything)
    outcome = run_trial(one, Broken(), tmp_path / "sortie")  # type: ignore[arg-type]
    assert (outcome.kind, outcome.signature.split(" ")[0]) == ("fault", "KeyError")


def test_a_hang_is_seen() -> None:
    with pytest.raises(Hang), time_limit(0.05):
        while True:
            pass
