"""Whatever lies below a folder is flushed, whoever wrote it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from trimshot.shared.durable import flush_tree


@pytest.mark.skipif(os.name == "nt", reason="there files are flushed as they are written")
def test_every_file_and_folder_is_flushed_and_read_only_ones_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    files = [tmp_path / "one.csv", tmp_path / "a" / "two.csv", deep / "three.csv"]
    for file in files:
        file.write_text("x")
        file.chmod(0o444)
    flushed: list[tuple[int, int]] = []

    def note(handle: int) -> None:
        state = os.fstat(handle)
        flushed.append((state.st_dev, state.st_ino))

    monkeypatch.setattr(os, "fsync", note)
    flush_tree(tmp_path)
    expected = [*files, tmp_path, tmp_path / "a", deep]
    assert sorted(flushed) == sorted((p.stat().st_dev, p.stat().st_ino) for p in expected)
