"""A small text file written so that a power cut leaves the whole of the old one or the whole of the new one."""

from __future__ import annotations

import os
from pathlib import Path

from ..shared.parquet import flush_folder


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text, line ends as they are in `text`. Raises OSError."""
    temporary = path.with_name(path.name + ".part")
    try:
        with temporary.open("w", encoding="utf-8", newline="") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)  # there only when something went wrong
    flush_folder(path.parent)
