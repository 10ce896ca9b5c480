"""Nothing goes undocumented, and the README's commands do what it says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from trimshot.ingest.registry import ADAPTERS
from trimshot.reports.cli import COMMANDS
from trimshot.reports.reference import reference_page
from trimshot.shared.codes import CODES
from trimshot.shared.vocabulary import CHANNELS
from trimshot.store.programme import Programme
from trimshot.store.units import UNIT_FUNCTIONS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BIN = Path(sys.executable).parent


def test_the_reference_page_is_what_the_program_says() -> None:
    committed = (ROOT / "docs" / "reference.md").read_text(encoding="utf-8")
    assert committed == reference_page(), "run: trimshot reference > docs/reference.md"


def test_every_name_stands_in_the_reference() -> None:
    page = reference_page()
    for name in (*CODES, *UNIT_FUNCTIONS, *(a.name for a in ADAPTERS)):
        assert name in page
    for channel in CHANNELS.values():
        assert f"`{channel.name}" in page


def test_every_command_and_reader_is_in_the_readme() -> None:
    for command in COMMANDS:
        assert f"trimshot {command}" in README, command
    for adapter in ADAPTERS:
        assert f"| {adapter.name} |" in README, adapter.name


def test_every_code_used_in_the_program_is_in_the_closed_list() -> None:
    for folder in ("ingest", "detect", "store", "reports"):
        for path in (ROOT / folder).rglob("*.py"):
            for code in re.findall(r"Finding\(\s*(?:code=)?\"([A-Z][A-Z0-9_]+)\"", path.read_text(encoding="utf-8")):
                assert code in CODES, f"{path.name}: {code}"


def shell_block(heading: str) -> list[str]:
    """Commands of the first shell block under a heading of the README, comments off."""
    part = README.split(heading, 1)[1]
    block = part.split("```sh\n", 1)[1].split("```", 1)[0]
    return [line.split("  #")[0].strip() for line in block.splitlines() if line.strip()]


@pytest.fixture
def installed(tmp_path: Path) -> dict[str, str]:
    """Make's variables for this environment: as installed, so that only the recipes run."""
    environment = tmp_path / "environment"
    environment.mkdir()
    (environment / "bin").symlink_to(BIN)
    for mark in (".installed", ".installed-test"):
        (environment / mark).touch()
    return {"VENV": str(environment)}


@pytest.mark.skipif(shutil.which("make") is None, reason="make is not installed here")
def test_the_readme_two_commands_run(installed: dict[str, str], tmp_path: Path) -> None:
    first, second = shell_block("## Two commands")
    assert (first, second) == ("make demo", "make test")
    folder = tmp_path / "demo"
    done = _run(["make", "demo", f"VENV={installed['VENV']}", f"DEMO={folder}"], cwd=ROOT)
    assert "page: " in done.stdout
    pages = re.findall(r"^page: (.+)$", done.stdout, re.MULTILINE)
    assert pages
    assert all(Path(page).is_file() for page in pages)
    # the tests themselves are running: the recipe of `make test` is run as far as collecting them
    done = _run(
        ["make", "test", f"VENV={installed['VENV']}"], cwd=ROOT, PYTEST_ADDOPTS="--collect-only -q -p no:cacheprovider"
    )
    assert "test_documentation.py" in done.stdout


def test_the_readme_steps_run(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    for name, demo in (("2025-05-06-drag", "S250506-01-drag_survey"),):
        shutil.unpack_archive(ROOT / "reports" / "demo_data" / f"{demo}.zip", logs / name)
    shutil.copy(next((logs / "2025-05-06-drag").glob("display_*.csv")), logs / "unknown.csv")
    here = tmp_path
    for line in shell_block("## The job, step by step"):
        if line.startswith("cd "):
            here = here / line[3:]
            continue
        done = _run(["sh", "-c", line.replace("~/logs", str(logs))], cwd=here)
        assert done.stdout, line


def test_the_readme_python_runs(demo_programme: Programme, tmp_path: Path) -> None:
    (tmp_path / "programme").symlink_to(demo_programme.folder)
    block = README.split("```python\n", 1)[1].split("```", 1)[0]
    done = _run([sys.executable, "-W", "error", "-c", block], cwd=tmp_path)
    assert "S250506-01-drag_survey" in done.stdout


def _run(command: list[str], cwd: Path, **extra: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PATH": f"{BIN}{os.pathsep}{os.environ['PATH']}", **extra}
    environment.pop("MAKEFLAGS", None)
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, timeout=280)
    assert done.returncode == 0, f"{command}: {done.stdout[-2000:]}{done.stderr[-2000:]}"
    return done
