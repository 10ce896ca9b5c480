"""One sortie checked: its kept source files, tracks and frame against what the catalog says of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from ..shared.errors import StoreError
from .hashes import hash_file
from .mirror import fetch_folder
from .places import FRAME, MARK, SORTIES, SOURCE, TRACKS, sortie_folder
from .prepare import hash_content

REBUILD = "run `trimshot rebuild`"
ADD_ANEW = "add the sortie anew with `--replace` from the original files"
NEXT_ADD = "nothing to do: the next add clears it"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: the sortie (empty: the programme), the file or table, what, and what to do."""

    sortie: str
    place: str
    what: str
    do: str


@dataclass(slots=True)
class Look:
    """One look at the programme: what it has found so far."""

    programme: Path
    faults: list[Fault] = field(default_factory=list)
    files: int = 0
    bytes: int = 0
    without_hash: int = 0

    def tell(self, sortie: str, place: str, what: str, do: str) -> None:
        """Keep a fault."""
        self.faults.append(Fault(sortie, place, what, do))


@dataclass(frozen=True, slots=True)
class Kept:
    """What the catalog says of one sortie."""

    content_hash: str
    frame_rows: int
    frame_sha256: str | None
    sources: tuple[tuple[str, str], ...]  # file, sha256
    tracks: tuple[tuple[str, int, str | None], ...]  # file, samples, sha256
    channels: frozenset[str]  # of the frame


def check_sortie(look: Look, name: str, kept: Kept) -> None:
    """Look at everything in one sortie's folder; what is wrong is told to the look."""
    try:
        folder = sortie_folder(look.programme, name)
    except StoreError as error:  # nothing outside the programme is looked at, whatever the catalog says
        look.tell(name, "catalog, sortie", error.what, REBUILD)
        return
    fetch_folder(folder)  # of a programme that lies elsewhere, everything is brought here to be looked at
    if not folder.is_dir():
        look.tell(name, f"{SORTIES}/{name}", "the sortie's folder is gone", ADD_ANEW)
        return
    _check_sources(look, name, folder / SOURCE, kept)
    for file, samples, sha256 in kept.tracks:
        if not (folder / file).resolve().is_relative_to(folder.resolve()):
            look.tell(name, file, "the file's name leads out of the sortie's folder", REBUILD)
            continue
        _check_parquet(look, name, folder / file, (samples, sha256))
    schema = _check_parquet(look, name, folder / FRAME, (kept.frame_rows, kept.frame_sha256))
    if schema is not None and not kept.channels <= set(schema.names):
        lost = ", ".join(sorted(kept.channels - set(schema.names)))
        look.tell(name, FRAME, f"columns the catalog knows are not in it: {lost}", REBUILD)
    expected = {file for file, _, _ in kept.tracks}
    present = {f"{TRACKS}/{path.name}" for path in (folder / TRACKS).glob("*.parquet")}
    for file in sorted(present - expected):
        look.tell(name, file, "the catalog does not know this file", REBUILD)
    for path in sorted(folder.rglob("*.part")):
        if SOURCE not in path.relative_to(folder).parts:
            look.tell(name, path.relative_to(folder).as_posix(), "left by a write that was ended", "delete it")
    if (folder / MARK).exists():
        look.tell(name, MARK, "an add was ended before its last step", NEXT_ADD)


def _check_sources(look: Look, name: str, source: Path, kept: Kept) -> None:
    if not source.is_dir():
        look.tell(name, SOURCE, "the kept source files are gone", ADD_ANEW)
        return
    hashes = {}
    for path in sorted(one for one in source.rglob("*") if one.is_file()):
        file = path.relative_to(source).as_posix()
        hashes[file] = _hash(look, name, path, f"{SOURCE}/{file}") or ""
    wrong = False
    for file, sha256 in kept.sources:
        place = f"{SOURCE}/{file}"
        if file not in hashes:
            look.tell(name, place, "the kept source file is gone", ADD_ANEW)
            wrong = True
        elif sha256 and hashes[file] not in ("", sha256):
            look.tell(name, place, "the kept source file is not the one that was read (another hash)", ADD_ANEW)
            wrong = True
    if not wrong and "" not in hashes.values() and hash_content(hashes) != kept.content_hash:
        what = "files were added, removed or changed since the sortie was added"
        look.tell(name, SOURCE, what, ADD_ANEW)


def _check_parquet(look: Look, name: str, path: Path, expected: tuple[int, str | None]) -> pa.Schema | None:
    """Compare one Parquet file with what the catalog says: rows, hash. Gives its schema where it can be read."""
    rows, sha256 = expected
    place = path.relative_to(look.programme / SORTIES / name).as_posix()
    if not path.is_file():
        look.tell(name, place, "the file is gone", REBUILD)
        return None
    found = _hash(look, name, path, place)
    if found is None:
        return None
    if sha256 is None:
        look.without_hash += 1
    elif found != sha256:
        look.tell(name, place, "the file was changed since it was written (another hash)", REBUILD)
        return None
    try:
        facts = pq.read_metadata(path)
        if sha256 is None:
            pq.read_table(path)  # no hash to compare with: at least it can be read to its end
        schema = facts.schema.to_arrow_schema()
    except (pa.ArrowException, OSError) as error:
        look.tell(name, place, f"the file cannot be read: {str(error).splitlines()[0]}", REBUILD)
        return None
    if facts.num_rows != rows:
        look.tell(name, place, f"{facts.num_rows} rows, the catalog says {rows}", REBUILD)
    return schema


def _hash(look: Look, name: str, path: Path, place: str) -> str | None:
    try:
        found = hash_file(path)
        look.bytes += path.stat().st_size
    except OSError as error:
        look.tell(name, place, f"the file cannot be read: {error.strerror or error}", "look at its rights and the disk")
        return None
    look.files += 1
    return found
