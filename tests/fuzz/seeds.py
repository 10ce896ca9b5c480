"""Inputs the fuzz run starts from: every adapter's samples, the cases, and short cuts of whole sortie logs."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from trimshot.ingest.raw import HEAD_BYTES, Adapter, LogFile
from trimshot.ingest.registry import ADAPTERS

DATA = Path(__file__).parent.parent / "data"
LARGEST = 9_000  # bytes of a seed of text: small inputs, many of them
LARGEST_BINARY = 60_000


@dataclass(frozen=True, slots=True)
class Seed:
    """A file to start from: its name and its bytes."""

    name: str
    content: bytes


def seeds_of(adapter: Adapter) -> list[Seed]:
    """All seeds the adapter claims, in a fixed order; never empty for an adapter with a sample."""
    return [seed for seed in every_seed() if _claims(adapter, seed)]


def adapter_named(name: str) -> Adapter:
    """The adapter of that name, however its capitals and blanks are written. Raises SystemExit."""
    plain = name.lower().replace("-", " ")
    for adapter in ADAPTERS:
        if adapter.name.lower().replace("-", " ") == plain:
            return adapter
    raise SystemExit(f"no adapter {name!r}; there are: {', '.join(a.name for a in ADAPTERS)}")


def every_seed() -> Iterator[Seed]:
    """Samples, cases and cuts of the sortie logs."""
    for folder in ("samples", "cases"):
        for path in sorted((DATA / folder).glob("*/*")):
            if path.is_file() and not path.name.endswith("expected.json"):
                yield Seed(path.name, shorten(path.read_bytes()))
    for path in sorted((DATA / "sorties").glob("*.zip"))[:4]:
        with zipfile.ZipFile(path) as archive:
            for name in sorted(archive.namelist()):
                yield Seed(Path(name).name, shorten(archive.read(name)))


def shorten(content: bytes) -> bytes:
    """Text cut behind a whole line near the limit; binary content whole when small, else its first part."""
    if b"\0" in content[:HEAD_BYTES] or content[:4] in (b"PK\x03\x04", b"PAR1"):
        return content if len(content) <= LARGEST_BINARY else content[:LARGEST_BINARY]
    if len(content) <= LARGEST:
        return content
    return content[: content.rfind(b"\n", 0, LARGEST) + 1] or content[:LARGEST]


def _claims(adapter: Adapter, seed: Seed) -> bool:
    file = LogFile(Path(seed.name), seed.name, len(seed.content), seed.content[:HEAD_BYTES])
    return adapter.claims(file).yes
