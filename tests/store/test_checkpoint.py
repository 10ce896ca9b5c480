"""Rows brought from the log into the catalog's file: an end in the middle of a block is mended by whoever opens it next."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from tests.small_sorties import write_sortie
from trimshot.store import instance
from trimshot.store.checkpoint import bring_in, kept_before, log_of, mend
from trimshot.store.connection import open_catalog
from trimshot.store.instance import attach, kept
from trimshot.store.programme import Programme, create_programme, open_programme

HEADER = 12288


@dataclass
class Middle:
    """Bytes of catalog, log and kept blocks while rows are brought in, and of the catalog afterwards."""

    programme: Programme
    former: bytes
    log: bytes
    blocks: bytes
    later: bytes

    @property
    def catalog(self) -> Path:
        return self.programme.folder / "programme.duckdb"

    def lay_out(self, catalog: bytes, log: bytes, blocks: bytes) -> None:
        self.catalog.write_bytes(catalog)
        log_of(self.catalog).write_bytes(log)
        kept_before(self.catalog).write_bytes(blocks)

    def torn(self) -> bytes:
        """The first block that both have and that was written anew, in its place to its middle."""
        changed = next(i for i in range(HEADER, len(self.former)) if self.former[i] != self.later[i])
        middle = (changed // 4096 + 2) * 4096
        return self.former[:changed] + self.later[changed:middle] + self.former[middle:]


@pytest.fixture
def middle(tmp_path: Path) -> Middle:
    programme = create_programme(tmp_path / "p")
    assert programme.add([write_sortie(tmp_path / "S1", 1, rows=90)]).count("added") == 1
    catalog = programme.folder / "programme.duckdb"
    copies: dict[str, bytes] = {}
    connection = attach(catalog)
    with kept(connection):
        connection.execute("UPDATE sortie SET aircraft = 'ANOTHER'")
        former = tmp_path / "former"
        subprocess.run(["cp", str(catalog), str(former)], check=True)  # read in this process its lock would go
        copies["former"], copies["log"] = former.read_bytes(), log_of(catalog).read_bytes()
        handle = catalog.open("rb")

        def read(length: int, place: int) -> bytes:
            handle.seek(place)
            return handle.read(length)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Path, "unlink", lambda path: copies.__setitem__("blocks", path.read_bytes()))
            bring_in(connection, catalog, read)
        kept_before(catalog).unlink()
    handle.close()
    return Middle(programme, later=catalog.read_bytes(), **copies)


def aircraft(programme: Programme) -> set[str]:
    return set(programme.sorties()["aircraft"])


def test_a_block_written_by_half_is_mended_by_the_next_reader(middle: Middle) -> None:
    middle.lay_out(middle.torn(), middle.log, b"")
    kept_before(middle.catalog).unlink()
    with pytest.raises(duckdb.Error, match="Corrupt database file"):
        duckdb.connect(str(middle.catalog), read_only=True)
    middle.lay_out(middle.torn(), middle.log, middle.blocks)
    assert aircraft(Programme(middle.programme.folder)) == {"ANOTHER"}
    assert not kept_before(middle.catalog).exists()
    assert not log_of(middle.catalog).exists()


def test_it_is_mended_when_a_writer_or_a_rebuild_comes_first(middle: Middle, tmp_path: Path) -> None:
    middle.lay_out(middle.torn(), middle.log, middle.blocks)
    assert middle.programme.add([write_sortie(tmp_path / "S2", 2, rows=90)]).count("added") == 1
    middle.lay_out(middle.torn(), middle.log, middle.blocks)
    middle.programme.rebuild()
    assert not list(middle.programme.folder.glob("*.unusable-*"))


def test_blocks_of_a_work_that_was_done_do_not_go_back(middle: Middle) -> None:
    middle.lay_out(middle.later, b"", middle.blocks)
    log_of(middle.catalog).unlink()
    mend(middle.catalog)
    assert middle.catalog.read_bytes() == middle.later
    assert not kept_before(middle.catalog).exists()
    assert aircraft(open_programme(middle.programme.folder)) == {"ANOTHER"}


@pytest.mark.parametrize("length", [0, 20, 32, 5000])
def test_blocks_that_were_not_kept_to_the_end_are_not_used(middle: Middle, length: int) -> None:
    middle.lay_out(middle.former, middle.log, middle.blocks[:length])
    mend(middle.catalog)
    assert middle.catalog.read_bytes() == middle.former
    assert not kept_before(middle.catalog).exists()
    assert aircraft(middle.programme) == {"ANOTHER"}


def test_what_cannot_be_kept_before_stays_in_the_log(middle: Middle, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("trimshot.store.checkpoint._write", full)
        connection = attach(middle.catalog)
        with kept(connection):
            connection.execute("UPDATE sortie SET aircraft = 'A THIRD'")
    assert log_of(middle.catalog).exists()
    assert middle.catalog.read_bytes() == middle.later
    assert aircraft(middle.programme) == {"A THIRD"}


def test_an_unchanged_catalog_is_let_go_as_it_was(middle: Middle) -> None:
    before = middle.catalog.stat().st_mtime_ns
    with kept(connection := attach(middle.catalog)):
        connection.execute("SELECT count(*) FROM sortie")
    assert middle.catalog.stat().st_mtime_ns == before


OTHER = "import sys, duckdb; duckdb.connect(sys.argv[1], read_only=True)"


@pytest.mark.skipif(sys.platform == "win32", reason="locks that belong to a process")
def test_looking_into_the_file_keeps_its_lock(middle: Middle) -> None:
    def can_others_read() -> bool:
        command = [sys.executable, "-c", OTHER, str(middle.catalog)]
        return subprocess.run(command, check=False, capture_output=True).returncode == 0

    with kept(attach(middle.catalog)):
        assert instance._look(middle.catalog, 4, 8) == b"DUCK"
        assert not can_others_read()
        with instance.counted(middle.catalog):
            pass
        assert not can_others_read()
    assert middle.catalog not in instance._looking
    assert can_others_read()
    with open_catalog(middle.programme.folder) as connection:
        assert connection.execute("SELECT count(*) FROM sortie").fetchall() == [(1,)]
