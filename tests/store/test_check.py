"""`check`: a whole programme is whole, every planted damage is told, and a rebuild gives the same answers again."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from filelock import FileLock

from tests.answers import hash_answers
from trimshot.store import check as check_module
from trimshot.store.check import check_programme
from trimshot.store.connection import write_catalog
from trimshot.store.programme import Programme


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check_module, "SECOND_LOOK_S", 0.0)


@pytest.fixture
def store(two: Programme, made_up: Any) -> Programme:
    """Two made-up sorties; whatever is read here is made up."""
    return two


def flip(path: Path, at: int = -1) -> None:
    """Change one byte, the size stays."""
    content = bytearray(path.read_bytes())
    content[at if at >= 0 else len(content) // 2] ^= 0x40
    path.chmod(0o644)
    path.write_bytes(bytes(content))


def ask(store: Programme, sql: str) -> None:
    with write_catalog(store.folder) as connection:
        connection.execute(sql)


def shorter(path: Path) -> None:
    table = pq.read_table(path)
    pq.write_table(table.slice(0, table.num_rows - 1), path)


def unlink(path: Path) -> None:
    path.chmod(0o644)
    path.unlink()


DAMAGES: dict[str, tuple[Callable[[Programme, Path], object], str, str]] = {
    "frame: a bit": (lambda s, a: flip(a / "frame.parquet"), "frame.parquet", "another hash"),
    "frame: gone": (lambda s, a: unlink(a / "frame.parquet"), "frame.parquet", "gone"),
    "frame: a row less": (lambda s, a: shorter(a / "frame.parquet"), "frame.parquet", "another hash"),
    "frame: empty": (lambda s, a: (a / "frame.parquet").write_bytes(b""), "frame.parquet", "another hash"),
    "track: a bit": (lambda s, a: flip(a / "tracks" / "01-display.parquet"), "tracks/01-display.parquet", "hash"),
    "track: gone": (lambda s, a: unlink(a / "tracks" / "01-display.parquet"), "tracks/01-display.parquet", "gone"),
    "track: one too many": (
        lambda s, a: shutil.copy(a / "tracks" / "01-display.parquet", a / "tracks" / "09-x.parquet"),
        "tracks/09-x.parquet",
        "does not know",
    ),
    "source: a bit": (lambda s, a: flip(a / "source" / "log.nmea", 5), "source/log.nmea", "another hash"),
    "source: not read, a bit": (lambda s, a: flip(a / "source" / "facts.json", 9), "source", "changed"),
    "source: gone": (lambda s, a: unlink(a / "source" / "log.nmea"), "source/log.nmea", "gone"),
    "source: not read, gone": (lambda s, a: unlink(a / "source" / "facts.json"), "source", "removed"),
    "source: one too many": (lambda s, a: (a / "source" / "new.csv").write_text("x"), "source", "added"),
    "source: all gone": (lambda s, a: shutil.rmtree(a / "source"), "source", "gone"),
    "folder: gone": (lambda s, a: shutil.rmtree(a), "sorties/A", "gone"),
    "folder: a stranger": (lambda s, a: (a.parent / "C" / "source").mkdir(parents=True), "sorties/C", "does not know"),
    "catalog: a sortie less": (lambda s, a: ask(s, "DELETE FROM sortie WHERE sortie = 'A'"), "sorties/A", "not know"),
    "catalog: rows": (lambda s, a: ask(s, "UPDATE sortie SET frame_rows = 7"), "frame.parquet", "the catalog says 7"),
    "catalog: samples": (lambda s, a: ask(s, "UPDATE track SET samples = 7"), "tracks/01-display.parquet", "says 7"),
    "catalog: loose statistics": (lambda s, a: ask(s, "DELETE FROM point WHERE sortie = 'A'"), "statistic", "points"),
    "catalog: a piece less": (
        lambda s, a: ask(s, "DELETE FROM piece WHERE sortie = 'A' AND number = 1"),
        "catalog, piece",
        "rows",
    ),
    "catalog: a channel more": (
        lambda s, a: ask(s, "INSERT INTO channel (sortie, track, channel) VALUES ('A', 'frame', 'pitch')"),
        "frame.parquet",
        "pitch",
    ),
    "catalog: a name that leads out": (
        lambda s, a: ask(s, "UPDATE sortie SET sortie = '../../A' WHERE sortie = 'A'"),
        "catalog, sortie",
        "name",
    ),
    "catalog: a track that leads out": (
        lambda s, a: ask(s, "UPDATE track SET file = '../../../out.parquet' WHERE track = 'display'"),
        "../../../out.parquet",
        "leads out",
    ),
    "catalog: gone": (lambda s, a: unlink(s.folder / "programme.duckdb"), "programme.duckdb", "missing"),
    "catalog: text": (lambda s, a: (s.folder / "programme.duckdb").write_text("x" * 9999), "programme.duckdb", "read"),
    "settings: broken": (lambda s, a: (s.folder / "settings.toml").write_text("nonsense = 1"), "settings.toml", "key"),
    "saved: broken": (lambda s, a: (s.folder / "saved.toml").write_text("[a"), "saved.toml", "TOML"),
    "questions: broken": (lambda s, a: (s.folder / "questions.json").write_text("{"), "questions.json", "read"),
    "left: unfinished": (lambda s, a: (a / "unfinished").write_text("x"), "unfinished", "ended"),
    "left: replaced": (lambda s, a: (a.parent / ".replaced-A").mkdir(), "sorties/.replaced-A", "ended"),
    "left: removed": (lambda s, a: (a.parent / ".removed-X").mkdir(), "sorties/.removed-X", "ended"),
    "left: preparing": (lambda s, a: (s.folder / ".preparing" / "0f").mkdir(parents=True), ".preparing/0f", "ended"),
    "left: part of a file": (lambda s, a: (a / "frame.parquet.part").write_text("x"), "frame.parquet.part", "ended"),
}


def test_a_whole_programme_is_whole(store: Programme) -> None:
    report = check_programme(store.folder)
    assert (report.faults, report.notes) == ((), ())
    # two source files and a frame in each of two sorties, two tracks in one and one in the other
    assert (report.sorties, report.files) == (2, 9)
    parts = [*store.folder.rglob("*.parquet"), *store.folder.rglob("source/*")]
    assert report.bytes == sum(path.stat().st_size for path in parts)


@pytest.mark.parametrize("name", DAMAGES)
def test_every_damage_is_told_with_a_way_out(store: Programme, name: str) -> None:
    damage, place, what = DAMAGES[name]
    damage(store, store.folder / "sorties" / "A")
    faults = check_programme(store.folder).faults
    told = [fault for fault in faults if place in fault.place and what in fault.what]
    assert told, faults
    assert all(fault.do for fault in faults)
    if not name.startswith("catalog: "):
        assert {fault.sortie for fault in faults} <= {"A", "C", ""}


REBUILT = (
    "frame: a bit", "frame: gone", "track: a bit", "track: gone", "folder: a stranger", "catalog: gone", "catalog: text",
    "catalog: loose statistics", "catalog: a sortie less",
)  # fmt: skip


@pytest.mark.parametrize("name", REBUILT)
def test_after_a_rebuild_every_answer_is_as_before(store: Programme, name: str) -> None:
    before = hash_answers(store)
    DAMAGES[name][0](store, store.folder / "sorties" / "A")
    store.rebuild()
    if name == "folder: a stranger":  # holds no source file: nothing can be made of it, and it is not thrown away
        assert [fault.sortie for fault in check_programme(store.folder).faults] == ["C"]
    else:
        assert check_programme(store.folder).faults == ()
    assert hash_answers(store) == before


def test_several_damages_at_once_and_then_as_before(store: Programme) -> None:
    before = hash_answers(store)
    for sortie in ("A", "B"):
        folder = store.folder / "sorties" / sortie
        flip(folder / "frame.parquet")
        (folder / "tracks" / "01-display.parquet").unlink()
    (store.folder / "programme.duckdb").write_bytes(b"\0" * 12288)
    assert store.rebuild().count("failed") == 0
    assert hash_answers(store) == before
    report = check_programme(store.folder)
    assert report.faults == ()
    assert "unusable" in report.notes[0]


def test_real_sorties_give_the_same_answers_after_damage_and_rebuild(demo_programme: Programme, tmp_path: Path) -> None:
    store = Programme(Path(shutil.copytree(demo_programme.folder, tmp_path / "real")))
    assert check_programme(store.folder).faults == ()
    before = hash_answers(store)
    first, second = sorted((store.folder / "sorties").iterdir())
    flip(first / "frame.parquet")
    flip(next((first / "tracks").iterdir()))
    unlink(second / "frame.parquet")
    flip(store.folder / "programme.duckdb", 20_000)
    flip(store.folder / "programme.duckdb", 4100)
    assert store.rebuild().count("failed") == 0
    assert check_programme(store.folder).faults == ()
    assert hash_answers(store) == before


def test_the_hash_over_all_answers_tells_a_change(store: Programme) -> None:
    before = hash_answers(store)
    ask(store, "UPDATE statistic SET mean = mean + 1e-12 WHERE sortie = 'B' AND number = 1")
    assert hash_answers(store) != before


def test_an_add_that_is_going_on_is_no_fault(store: Programme) -> None:
    place = store.folder / ".preparing" / "abc"
    place.mkdir(parents=True, exist_ok=True)
    with FileLock(place.with_suffix(".lock")):
        assert check_programme(store.folder).faults == ()
    assert [fault.place for fault in check_programme(store.folder).faults] == [".preparing/abc"]


def test_what_is_wrong_for_an_instant_is_no_fault(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    mark = store.folder / "sorties" / "A" / "unfinished"
    mark.write_text("token", encoding="utf-8")
    monkeypatch.setattr("trimshot.store.check.time.sleep", lambda seconds: mark.unlink())
    assert check_programme(store.folder).faults == ()


def test_a_check_changes_nothing(store: Programme) -> None:
    def state() -> dict[str, bytes]:
        return {str(path): path.read_bytes() for path in sorted(store.folder.rglob("*")) if path.is_file()}

    (store.folder / "sorties" / ".replaced-A").mkdir()
    before = state()
    assert check_programme(store.folder).faults
    assert state() == before
    assert (store.folder / "sorties" / ".replaced-A").is_dir()
