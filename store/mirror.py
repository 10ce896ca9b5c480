"""The local copy of a programme that lives in an object store: an ordinary programme folder that fills on demand.

mirror.json says whose copy it is and of which state; files below sorties/ are fetched when they are asked for.
Files of a sortie never change under one addition, so what was fetched once stays right.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from pathlib import Path

from ..shared.durable import written_whole
from .bucket import Bucket, bucket_of

MIRROR = "mirror.json"
_DEPTH = 8  # of a file below the programme


@dataclass(frozen=True, slots=True)
class Mirror:
    """What a copy shows: the address, the number of the state, sortie -> token of its addition."""

    url: str
    generation: int = 0
    sorties: dict[str, str] = field(default_factory=dict)

    @property
    def bucket(self) -> Bucket:
        """Where the programme lives."""
        return bucket_of(self.url)


def mirror_folder(bucket: Bucket) -> Path:
    """Where the copy lies: below TRIMSHOT_CACHE, XDG_CACHE_HOME/trimshot or ~/.cache/trimshot."""
    own, common = os.environ.get("TRIMSHOT_CACHE"), os.environ.get("XDG_CACHE_HOME")
    root = Path(own) if own else (Path(common) if common else Path.home() / ".cache") / "trimshot"
    name = bucket.root.rpartition("/")[2]
    return root / f"{name}-{hashlib.sha256(f'{bucket.endpoint} {bucket.root}'.encode()).hexdigest()[:12]}"


def read_mirror(folder: Path) -> Mirror | None:
    """The copy's state, None for a folder that is no copy."""
    try:
        return Mirror(**json.loads((folder / MIRROR).read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None


def write_mirror(folder: Path, mirror: Mirror) -> None:
    """Write the state, whole or not at all."""
    text = json.dumps({"url": mirror.url, "generation": mirror.generation, "sorties": mirror.sorties})
    with written_whole(folder / MIRROR) as stream:
        stream.write(text.encode())


def sortie_key(name: str, addition: str, inside: str = "") -> str:
    """The key of a sortie's folder, or of a file in it."""
    return f"sorties/{name}/{addition}" + (f"/{inside}" if inside else "")


def fetch_missing(path: Path) -> bool:
    """Fetch a file of a sortie, when it lies in a copy and the store has it. Gives whether it is there now."""
    found = _place_of(path)
    if found is None:
        return False
    mirror, name, inside = found
    return mirror.bucket.download(sortie_key(name, mirror.sorties[name], inside), path)


def fetch_folder(folder: Path) -> None:
    """Fetch every file below a folder of a sortie that is not there yet; nothing when it lies in no copy."""
    found = _place_of(folder)
    if found is None:
        return
    mirror, name, inside = found
    bucket, below = mirror.bucket, sortie_key(name, mirror.sorties[name], inside)
    for key in bucket.keys(below):
        file = folder / key.removeprefix(f"{below}/")
        if not file.is_file():
            bucket.download(key, file)


def _place_of(path: Path) -> tuple[Mirror, str, str] | None:
    """The copy a path lies in, its sortie and the path inside it; None when the store does not have that sortie."""
    for parent in list(path.parents)[:_DEPTH]:
        mirror = read_mirror(parent)
        if mirror is not None:
            _, name, *inside = path.relative_to(parent).parts
            return (mirror, name, "/".join(inside)) if name in mirror.sorties else None
    return None
