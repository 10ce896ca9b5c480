"""--workers and --cluster from the command line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.small_sorties import write_sortie
from trimshot.store.programme import create_programme

TRIMSHOT = Path(sys.executable).with_name("trimshot")


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(TRIMSHOT), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=200, check=False)


def test_work_shared_among_processes(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "p").folder
    for day in (1, 2, 3):
        write_sortie(tmp_path / "logs" / f"S{day}", day, rows=90)
    added = run("--programme", programme, "add", tmp_path / "logs", "--workers", 2)
    assert added.returncode == 0, added.stderr
    assert "sorties: 3 added" in added.stdout
    shared = run("--programme", programme, "find", "indicated_airspeed > kt(80)", "--workers", 2)
    alone = run("--programme", programme, "find", "indicated_airspeed > kt(80)")
    assert shared.stdout == alone.stdout and "of 3 sorties considered" in alone.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--workers", 2, "--cluster", "tcp://127.0.0.1:9"), "name one of the two"),
        (("--workers", 0), "Invalid value for '--workers'"),
    ],
)
def test_what_cannot_be_asked_for(tmp_path: Path, arguments: tuple[object, ...], said: str) -> None:
    programme = create_programme(tmp_path / "p").folder
    done = run("--programme", programme, "rebuild", *arguments)
    assert done.returncode == 2 and said in done.stderr
    assert "Traceback" not in done.stderr


def test_an_address_of_an_object_store_reaches_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIMSHOT_CACHE", str(tmp_path))
    done = run("--programme", "s3://bucket/p?colour=red", "sorties")
    assert done.returncode == 2 and "not the address of a programme in an object store" in done.stderr
