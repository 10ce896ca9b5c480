"""Small sorties of invented numbers, quick to read: for tests of what happens to sorties, not of what is found in them."""

from __future__ import annotations

import math
import os
from pathlib import Path


def write_sortie(folder: Path, day: int, *, name: str = "log.csv", rows: int = 300) -> Path:
    """A sortie's folder: one display at one row a second, out of one field, another height every day."""
    folder.mkdir(parents=True, exist_ok=True)
    top = 2400 + 300 * (day % 7)
    lines = ["utc,ias_kt,pressure_alt_ft,oat_c,rpm"]
    for i in range(rows):
        climb = max(0.0, math.sin(math.pi * i / rows))
        speed = 95.0 if rows // 3 < i < rows // 2 else 70 + 40 * climb
        feet = 640 + top * climb + 3 * math.sin(i * day / 9)
        stamp = f"2031-03-{1 + day % 28:02d}T09:{20 + i // 60:02d}:{i % 60:02d}Z"
        lines.append(f"{stamp},{speed + 0.2 * math.sin(i / 3):.1f},{feet:.0f},{21 - 0.00198 * feet:.1f},{2300 + day}")
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


# Loaded by every Python that is started with this folder first in its path: a worker that opens a file
# called poison.* dies there and then; one that opens once.* dies too, but only the first time.
DEADLY = """
import os, sys

def deadly(event, arguments):
    if event != "open" or not isinstance(arguments[0], (str, bytes)):
        return
    name = os.path.basename(os.fsdecode(arguments[0]))
    if name.startswith("poison."):
        os._exit(9)
    if name.startswith("once."):
        try:
            os.mkdir(os.path.join(os.environ["DEADLY"], "died-" + name))
        except FileExistsError:
            return
        os._exit(9)

sys.addaudithook(deadly)
"""


def deadly_environment(folder: Path) -> dict[str, str]:
    """Environment in which Pythons die of poison.* and once.* files; the folder keeps what happened."""
    folder.mkdir(exist_ok=True)
    (folder / "sitecustomize.py").write_text(DEADLY, encoding="utf-8")
    path = os.pathsep.join(one for one in (str(folder), os.environ.get("PYTHONPATH", "")) if one)
    return {"PYTHONPATH": path, "DEADLY": str(folder)}
