"""A sortie's folder, archive or single file: which files it holds and what the sortie is called."""

from __future__ import annotations

import os
import re
import stat
import tempfile
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from ..shared.errors import InputError
from ..shared.findings import Finding
from .archive import Allowance, check_archive, is_archive, unpack
from .gzipped import is_gzipped, read_gzipped_head, unpack_gzipped
from .packed import archive_above, holds_several_logs, sorties_packed
from .raw import HEAD_BYTES, LogFile
from .registry import is_log

PROGRAMME_FILE = "programme.duckdb"
_OWN_SUFFIXES = (".duckdb", ".wal", ".lock", ".part")
_OWN_BESIDE_PROGRAMME = frozenset({"settings.toml", "questions.json", "marks.jsonl", "sorties", "reports"})
_LITTER = frozenset({"__macosx", "thumbs.db", "desktop.ini"})
_UNWRITABLE = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})  # controls, marks without a shape, half characters, line ends
_SEVERAL = 2  # archives with several logs in them, beside which a log belongs to none
_DEPTH = 3  # an archive inside an archive inside an archive is where looking stops


def sortie_id(path: Path) -> str:
    """The sortie's name, from the folder's, archive's or file's: letters, digits, '.', '_', '-'.

    Any other character becomes '-'. Never empty, '.' or '..', never hidden, at most 100 long.
    """
    whole = path.resolve()
    name = whole.name if _is_folder(whole) or not whole.suffix or archive_above(whole) else whole.stem
    if whole.suffix.lower() == ".gz" and not _is_folder(whole):
        name = Path(name).stem
    cleaned = re.sub(r"[^A-Za-z0-9._-]", "-", name).strip("-.")[:100].strip("-.")
    return cleaned or "sortie"


def list_files(folder: Path) -> list[LogFile]:
    """Files of a sortie's folder and of the folders inside it, sorted by name.

    Hidden files, what the operating system litters, and our own outputs are left out; entries
    that cannot be read are left out too and told by `skipped_entries`. Archives are listed as
    files; `open_sortie` opens them. Raises InputError when there is no such folder.
    """
    return [_log_file(path, name) for path, name in _entries(folder) if _obstacle(path) is None]


def skipped_entries(path: Path) -> tuple[Finding, ...]:
    """One FILE_SKIPPED finding for every visible entry of a folder that cannot be read at all.

    Broken links, links to folders, missing permissions, devices and pipes, archives that are
    damaged or break a limit. A single file or archive has none: `open_sortie` raises for it.
    """
    if not _is_folder(path):
        return ()
    found = []
    for entry, name in _entries(path):
        reason = _obstacle(entry) or _archive_obstacle(entry)
        if reason is not None:
            found.append(Finding("FILE_SKIPPED", f"{name}: {reason}", level="fault", where=name))
    return tuple(found)


@contextmanager
def open_sortie(path: Path) -> Iterator[tuple[str, list[LogFile]]]:
    """(name, files) of a sortie's folder, zip archive or single file, for as long as the block runs.

    Archives are unpacked into a temporary folder; the name of a file in one is
    'logs.zip/display.csv' inside a folder and 'display.csv' when the archive is the sortie.
    Raises InputError for what does not exist, cannot be read or breaks an archive's limits.
    """
    with tempfile.TemporaryDirectory(prefix="trimshot-") as scratch:
        yield sortie_id(path), _open_files(path, Path(scratch))


def _open_files(path: Path, scratch: Path) -> list[LogFile]:
    inside = archive_above(path)
    if _is_folder(path):
        files = _open_inner(list_files(path), scratch, Allowance(), _DEPTH)
    elif inside is not None:
        files = _files_inside(*inside, scratch)
    elif is_archive(_existing_file(path)):
        _check_one_sortie(path)
        files = _below_one_folder(_unpacked(path, "", scratch, Allowance(), _DEPTH))
    elif is_gzipped(path):
        member = unpack_gzipped(path, scratch, Allowance())
        files = [_log_file(member.path, member.name)]
    else:
        files = [_log_file(path, path.name)]
    return sorted(files, key=lambda file: file.name)


def _files_inside(archive: Path, folder: str, scratch: Path) -> list[LogFile]:
    """The files of one folder of an archive, named as in that folder."""
    files = _unpacked(archive, "", scratch, Allowance(), _DEPTH, below=folder)
    found = [replace(f, name=f.name[len(folder) + 1 :]) for f in files if f.name.startswith(f"{folder}/")]
    if not found:
        raise InputError("the archive has no such folder", where=archive.name, found=folder)
    return found


def _check_one_sortie(path: Path) -> None:
    several = sorties_packed(path, _is_hidden)
    if several:
        raise InputError(
            "the archive holds several sorties",
            where=path.name,
            found=", ".join(several[:20]),
            do=f"add the archive, which adds each of them, or read one as {path.name}/{several[0]}",
        )


def _below_one_folder(files: list[LogFile]) -> list[LogFile]:
    """The files of an archive without the folder all of them lie in: packing a folder packs its name as well.

    So the files are named as in the folder itself, and it is seen that both are the same sortie.
    """
    first = {file.name.partition("/")[:2] for file in files}
    if len(first) != 1 or "" in next(iter(first)):
        return files
    return _below_one_folder([replace(file, name=file.name.partition("/")[2]) for file in files])


def sorties_in(path: Path) -> list[Path]:
    """Sorties under a path, see `find_sorties`."""
    return find_sorties(path).sorties


@dataclass(frozen=True, slots=True)
class Search:
    """What lies under a path: the sorties, and logs beside several archives, which nobody can say the sortie of."""

    sorties: list[Path]
    beside: list[Path]


def find_sorties(path: Path) -> Search:
    """Sorties under a path: itself when it holds logs directly, else every folder or archive that does.

    A sortie's folder is the highest one with a log (or a card) directly in it; the folders inside
    belong to it, and so does an archive, but two archives or more with several logs each are sorties. A file is one sortie, but
    an archive may hold several: each is then the path of its folder inside ('logs.zip/2031-04-01'), which
    `open_sortie` takes. Raises InputError when nothing is there.
    """
    if not _is_folder(path):
        inside = archive_above(path) is not None or is_archive(path)
        return Search(_in_archive(path) if inside else [_existing_file(path)], [])
    found = Search([], [])
    _search(path, found)
    if not found.sorties:
        raise InputError(
            "no logs here", where=str(path), do="give the folder of a sortie, or the folder above several of them"
        )
    return found


def left_beside(log: Path) -> InputError:
    """What to say of a log that lies beside several archives."""
    return InputError(
        "the log lies beside several archives, each a sortie: which of them it belongs to is not known",
        where=log.name,
        do="put it into a folder of its own, or into one with the archive it belongs to, and add that folder",
    )


def _in_archive(path: Path) -> list[Path]:
    """The sorties in an archive; a broken one is one sortie, whose opening says what is wrong."""
    try:
        several = sorties_packed(path, _is_hidden) if is_archive(path) else []
    except InputError:
        several = []
    return [path / folder for folder in several] or [path]


def _search(folder: Path, found: Search) -> None:
    children = _visible(folder)
    files = [child for child in children if _obstacle(child) is None]
    archives = [file for file in files if is_archive(file)]
    others = [file for file in files if file not in archives]
    if any(_is_log(file) for file in others):
        if sum(holds_several_logs(archive, _is_hidden) for archive in archives) < _SEVERAL:
            found.sorties.append(folder)
            return
        found.beside.extend(file for file in others if _is_log(file))
    for child in children:
        if child.is_dir() and not child.is_symlink():
            _search(child, found)
        elif child in archives:
            found.sorties.extend(_in_archive(child))


def _is_log(path: Path) -> bool:
    return is_log(_as_unpacked(_log_file(path, path.name)))


def _as_unpacked(file: LogFile) -> LogFile:
    """A compressed log with the first bytes of what it holds; any other file as it is."""
    return replace(file, head=read_gzipped_head(file.path)) if is_gzipped(file.path) else file


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a name too long for the system
        return False


def _existing_file(path: Path) -> Path:
    try:
        exists = path.exists()
    except OSError:
        exists = False
    if not exists:
        raise InputError("no such file or folder", where=str(path)[-200:], do="check the spelling of the path")
    reason = _obstacle(path)
    if reason is not None:
        raise InputError(f"cannot be read: {reason}", where=str(path))
    return path


def _visible(folder: Path) -> list[Path]:
    """Direct entries of a folder that are neither hidden nor our own, sorted."""
    try:
        entries = sorted(folder.iterdir())
    except FileNotFoundError:
        raise InputError("no such folder", where=str(folder), do="check the spelling of the path") from None
    except OSError as error:
        raise InputError("the folder cannot be read", where=str(folder), found=error.strerror) from None
    left_out = _OWN_BESIDE_PROGRAMME if any(entry.name == PROGRAMME_FILE for entry in entries) else frozenset()
    return [entry for entry in entries if entry.name not in left_out and not _is_hidden(entry.name)]


def _is_hidden(name: str) -> bool:
    return name.startswith((".", "~$")) or name.lower() in _LITTER or name.endswith(_OWN_SUFFIXES)


def _entries(folder: Path, prefix: str = "") -> list[tuple[Path, str]]:
    """(path, name) of everything visible under a folder that is not itself an open folder."""
    out = []
    for entry in _visible(folder):
        name = prefix + entry.name
        if entry.is_dir() and not entry.is_symlink() and os.access(entry, os.R_OK | os.X_OK):
            out += _entries(entry, f"{name}/")
        else:
            out.append((entry, _plain_name(name)))
    return out


def _obstacle(path: Path) -> str | None:
    """Why an entry cannot be read as a file; None when it can."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return "a link to something that does not exist"
    except OSError as error:
        return error.strerror or "cannot be reached"
    if stat.S_ISDIR(mode):
        return "a link to a folder is not followed" if path.is_symlink() else "no permission to read the folder"
    if not stat.S_ISREG(mode):
        return "a device, pipe or socket, not a file"
    try:
        with path.open("rb") as stream:
            stream.read(1)
    except FileNotFoundError:
        return None  # gone since the look at it: it stays listed, and whoever reads it will say so
    except OSError as error:
        return error.strerror or "cannot be read"
    return None


def _archive_obstacle(path: Path) -> str | None:
    if not is_archive(path):
        return None
    try:
        check_archive(path)
    except InputError as error:
        return str(error)
    return None


def _log_file(path: Path, name: str) -> LogFile:
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
        size = path.stat().st_size
    except OSError:  # gone, or broken, since it was listed: whoever reads it will say so
        head, size = b"", 0
    return LogFile(path=path, name=_plain_name(name), size=size, head=head)


def _plain_name(name: str) -> str:
    """A file's name without what would break a line, a terminal or a catalog: such characters become %0A and the like."""
    return "".join(
        "".join(f"%{byte:02X}" for byte in os.fsencode(c)) if unicodedata.category(c) in _UNWRITABLE else c
        for c in name
    )


def _open_inner(files: list[LogFile], scratch: Path, allowance: Allowance, depth: int) -> list[LogFile]:
    """The files, with every archive among them replaced by what it holds.

    An archive that cannot be opened stays in the list as the file it is: one bad file never stops
    the folder, and `skipped_entries` says why.
    """
    out: list[LogFile] = []
    for number, file in enumerate(files):
        if depth == 0 or not (is_archive(file.path) or is_gzipped(file.path)):
            out.append(file)
            continue
        try:
            if is_gzipped(file.path):
                member = unpack_gzipped(file.path, scratch / f"inner{number}", allowance)
                taken = any(other.name == file.name[:-3] for other in files)  # the same log beside, not compressed
                out.append(_log_file(member.path, file.name if taken else file.name[:-3]))
                continue
            out += _unpacked(file.path, f"{file.name}/", scratch / f"inner{number}", allowance, depth)
        except InputError:
            out.append(file)
    return out


def _unpacked(
    path: Path, prefix: str, scratch: Path, allowance: Allowance, depth: int, *, below: str = ""
) -> list[LogFile]:
    members = [m for m in unpack(path, scratch, allowance, below) if not _is_hidden_member(m.name)]
    files = [_log_file(member.path, prefix + member.name) for member in members]
    return _open_inner(files, scratch, allowance, depth - 1)


def _is_hidden_member(name: str) -> bool:
    return any(_is_hidden(part) for part in name.split("/"))
