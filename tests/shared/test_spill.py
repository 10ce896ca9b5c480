"""Large arrays on disk: the same numbers, nothing left behind, small ones untouched."""

import dataclasses
import gc
import subprocess
import sys
import textwrap
import weakref
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from trimshot.shared import spill as spilling
from trimshot.shared.spill import SpillWriter, keep_large, release_pages, spill


@keep_large("values")
@dataclass(frozen=True, eq=False)
class Holder:
    """One array that may be large."""

    name: str
    values: NDArray[Any]


@pytest.fixture(autouse=True)
def low_limit(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(spilling, "SPILL_BYTES", 8000)
    monkeypatch.setattr(spilling, "RELEASE_BYTES", 20_000)
    yield
    gc.collect()
    assert not len(spilling._maps)  # no test keeps an array


def is_mapped(values: NDArray[Any]) -> bool:
    """Whether the array looks at a file."""
    return spilling._is_mapped(values)


@pytest.mark.parametrize("values", [np.linspace(-1, 1, 1000), np.arange(1000), np.arange(4000, dtype=np.int16)])
def test_a_large_array_goes_to_disk_bit_for_bit(values: NDArray[Any]) -> None:
    values = values.copy()
    kept = spill(values)
    release_pages()
    assert is_mapped(kept)
    assert kept.dtype == values.dtype
    assert kept.tobytes() == values.tobytes()


def test_missing_samples_stay_missing() -> None:
    values = np.full(1000, np.nan)
    values[3] = 1.5
    np.testing.assert_array_equal(spill(values), values)


@pytest.mark.parametrize(
    "values", [np.zeros(999), np.full(2000, "up", dtype=object), np.zeros((100, 100)), np.zeros(9000, dtype=bool)]
)
def test_small_ones_and_what_is_no_column_of_numbers_stay(values: NDArray[Any]) -> None:
    assert spill(values) is values


def test_what_is_on_disk_already_is_not_written_again() -> None:
    kept = spill(np.zeros(1000))
    assert spill(kept) is kept
    assert is_mapped(Holder("a", kept).values)
    assert dataclasses.replace(Holder("a", kept), name="b").values is kept


def test_a_part_of_an_array_on_disk_is_itself_on_disk() -> None:
    kept = spill(np.arange(4000.0))
    part = kept[1000:3000]
    assert spill(part) is part
    assert part[0] == 1000.0


def test_reading_gives_pages_back_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    held = Holder("a", np.arange(1000.0))
    given: list[int] = []
    monkeypatch.setattr(spilling, "release_pages", lambda: given.append(1))
    monkeypatch.setattr(spilling, "_looked_at", 0)
    for _ in range(3):
        assert held.values[999] == 999.0
    assert len(given) == 1  # the third reading of 8000 bytes goes beyond 20,000


def test_a_dataclass_keeps_its_order_of_fields_and_asks_for_the_array() -> None:
    with pytest.raises(TypeError, match="values"):
        Holder("a")  # type: ignore[call-arg]
    assert [one.name for one in dataclasses.fields(Holder)] == ["name", "values"]


def test_a_column_written_piece_by_piece() -> None:
    writer = SpillWriter()
    for first in range(0, 100, 10):
        writer.append(np.arange(first, first + 10, dtype=np.float64))
    np.testing.assert_array_equal(writer.finish(), np.arange(100.0))


def test_nothing_written_is_an_empty_column() -> None:
    assert SpillWriter().finish().shape == (0,)


def test_freed_memory_serves_the_next_arrays() -> None:
    if spilling._trim is None:
        pytest.skip("another C library than glibc")
    work = """
        import resource, numpy as np
        {setting}
        def rounds():
            for _ in range(20):
                parts = [np.ones(1 << 17) for _ in range(12)]
                del parts
        rounds()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
        rounds()
        print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
    """
    faults = [
        int(subprocess.run([sys.executable, "-c", _dedent(work, setting)], capture_output=True, check=True).stdout)
        for setting in ("import trimshot.shared.spill", "import trimshot.shared.units")
    ]
    # 20 rounds of 12 MB are 61,440 pages of 4 KiB where every round is given back
    assert faults[0] < 1000 and faults[0] <= faults[1]


def _dedent(work: str, setting: str) -> str:
    return textwrap.dedent(work).format(setting=setting)


def test_memory_is_given_back_only_where_something_lies_on_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[int] = []
    monkeypatch.setattr(spilling, "release_pages", lambda: given.append(1))
    monkeypatch.setattr(spilling, "_looked_at", 0)
    monkeypatch.setattr(spilling, "_maps", weakref.WeakSet())
    spilling.note_use(1 << 30)
    assert not given
    kept = spill(np.arange(2000.0))
    spilling.note_use(1 << 30)
    assert given and len(kept) == 2000
