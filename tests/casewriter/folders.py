"""All cases as folders of files with their expected.json."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from . import binary, gnss, sensors, structure, times, values, variants  # noqa: F401  (each enters its cases)
from .facts import CASES

FOLDER = Path(__file__).parents[1] / "data" / "cases_ours"


def made() -> dict[str, dict[str, bytes]]:
    """Case name -> file name -> content, expected.json among them."""
    out = {}
    for name, make in CASES.items():
        one = make()
        told = json.dumps(one.expected(name), indent=1, ensure_ascii=False) + "\n"
        out[name] = {**one.files, "expected.json": told.encode()}
    return out


def write_cases(folder: Path) -> None:
    """All cases into `folder`, which is emptied first."""
    shutil.rmtree(folder, ignore_errors=True)
    for name, files in made().items():
        (folder / name).mkdir(parents=True)
        for file, content in files.items():
            (folder / name / file).write_bytes(content)
