"""A small text file written so that a power cut leaves the whole of the old one or the whole of the new one."""

from __future__ import annotations

from pathlib import Path

from ..shared.durable import written_whole


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text, line ends as they are in `text`. Raises OSError."""
    with written_whole(path) as stream:
        stream.write(text.encode("utf-8"))
