"""Several sorties packed into one archive: told apart by their folders' names and what lies in them."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from lzma import LZMAError
from pathlib import Path, PurePosixPath

from ..shared.errors import InputError
from .archive import check_archive, is_archive
from .raw import HEAD_BYTES, LogFile
from .registry import is_log
from .text.preamble import date_in_name


def sorties_packed(path: Path, is_hidden: Callable[[str], bool]) -> list[str]:
    """The folders inside an archive that are a sortie each, as paths inside it; empty where the archive is one sortie.

    They are several when no log lies beside the folders and either their names carry different dates, or each holds
    the same two or more logs. Other folders are those of one sortie's recorders. Raises InputError for a bad archive.
    """
    names = [m.filename.replace("\\", "/") for m in check_archive(path)]
    names = [name for name in names if not any(is_hidden(part) for part in name.split("/"))]
    above = _common_folder(names)
    groups: dict[str, list[str]] = {}
    for name in names:
        first, _, rest = name[len(above) :].partition("/")
        groups.setdefault(first if rest else "", []).append(rest or first)
    if len(groups) < 2:
        return []
    logs = set(_logs_in(path))
    held = {g: [n for n in inner if above + (f"{g}/{n}" if g else n) in logs] for g, inner in groups.items()}
    folders = [g for g, inner in held.items() if inner and g]
    if held.get("") or len(folders) < 2:
        return []
    dates = [date_in_name(folder) for folder in folders]
    dated = None not in dates and len(set(dates)) > 1
    alike = len(held[folders[0]]) > 1 and all(sorted(held[g]) == sorted(held[folders[0]]) for g in folders)
    return [above + folder for folder in sorted(folders)] if dated or alike else []


def holds_several_logs(path: Path, is_hidden: Callable[[str], bool]) -> bool:
    """True for an archive with two logs in it at least, however deep its folders; False for a damaged one."""
    try:
        check_archive(path)
    except InputError:
        return False
    return sum(not any(is_hidden(part) for part in name.split("/")) for name in _logs_in(path)) > 1


def archive_above(path: Path) -> tuple[Path, str] | None:
    """(archive, folder inside it) of a path that leads into an archive; None for any other."""
    for parent in path.parents:
        if is_archive(parent):
            return parent, path.relative_to(parent).as_posix()
    return None


def _common_folder(names: Sequence[str]) -> str:
    """The folders all names lie in, with '/' behind, '' for none."""
    first = {PurePosixPath(name).parts[0] if "/" in name else "" for name in names}
    if len(first) != 1 or "" in first:
        return ""
    folder = first.pop() + "/"
    return folder + _common_folder([name[len(folder) :] for name in names])


def _logs_in(path: Path) -> Iterator[str]:
    """Names of the members that begin like a log, in the archive's order."""
    with zipfile.ZipFile(path) as archive:
        for member in archive.infolist():
            name = member.filename.replace("\\", "/")
            try:
                with archive.open(member) as stream:
                    head = stream.read(HEAD_BYTES)
            except (zipfile.BadZipFile, OSError, ValueError, EOFError, RuntimeError, zlib.error, LZMAError):
                continue
            if not member.is_dir() and is_log(LogFile(path, name, member.file_size, head)):
                yield name
