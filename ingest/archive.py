"""Zip archives as they come by mail: opened into a temporary folder, within limits.

An archive is a stranger's file. Its members' names are never used as paths, its sizes are counted
while they are unpacked, and whatever breaks a limit is an InputError naming the limit.
"""

from __future__ import annotations

import stat
import struct
import zipfile
import zlib
from dataclasses import dataclass
from lzma import LZMAError
from pathlib import Path, PurePosixPath

from ..shared.errors import InputError

MOST_BYTES = 16 << 30
MOST_FILES = 10_000
MOST_RATIO = 200  # logs shrink 5 to 20 times; 1000 is a bomb
RATIO_FLOOR_BYTES = 64 << 20  # a small file of zeros is a power loss, not an attack
_BLOCK = 1 << 20


@dataclass(slots=True)
class Allowance:
    """What may still be unpacked: shared by an archive and the archives inside it."""

    bytes_left: int = MOST_BYTES
    files_left: int = MOST_FILES


@dataclass(frozen=True, slots=True)
class Member:
    """One unpacked file: its name inside the archive ('/' between parts) and where it lies now."""

    name: str
    path: Path


def is_archive(path: Path) -> bool:
    """True for a zip archive by name and first bytes; a spreadsheet is a zip by bytes only."""
    if path.suffix.lower() != ".zip" or not path.is_file():
        return False
    try:
        with path.open("rb") as stream:
            return stream.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except OSError:
        return False


def check_archive(path: Path) -> list[zipfile.ZipInfo]:
    """The archive's files, by its own table of contents. Raises InputError for one that breaks a rule."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
    except (zipfile.BadZipFile, OSError, ValueError, RuntimeError, struct.error) as error:
        raise InputError(
            "the archive cannot be read", where=path.name, found=str(error), do="unpack it and give the folder"
        ) from None
    for member in members:
        _check_member(member, path.name)
    _check_size(members, path)
    return members


def _check_member(member: zipfile.ZipInfo, where: str) -> None:
    parts = PurePosixPath(member.filename.replace("\\", "/")).parts
    do = "unpack it yourself, look at it, and give the folder"
    if not parts or parts[0] == "/" or ".." in parts or ":" in parts[0] or "\0" in member.filename:
        raise InputError("the archive holds a path that leads out of it", where=where, found=member.filename, do=do)
    if stat.S_ISLNK(member.external_attr >> 16):
        raise InputError("the archive holds a symbolic link", where=where, found=member.filename, do=do)
    if member.flag_bits & 0x1:
        raise InputError("the archive is locked with a password", where=where, found=member.filename, do=do)


def _check_size(members: list[zipfile.ZipInfo], path: Path) -> None:
    unpacked, packed = sum(m.file_size for m in members), max(1, path.stat().st_size)
    if len(members) > MOST_FILES:
        raise InputError(
            "the archive holds too many files", where=path.name, found=str(len(members)), allowed=str(MOST_FILES)
        )
    if unpacked > MOST_BYTES:
        raise too_big(path.name)
    if unpacked > RATIO_FLOOR_BYTES and unpacked > MOST_RATIO * packed:
        raise InputError(
            "the archive unpacks to far more than a log can shrink",
            where=path.name,
            found=f"{unpacked // packed} times",
            allowed=f"{MOST_RATIO} times",
            do="unpack it yourself, look at it, and give the folder",
        )


def too_big(where: str) -> InputError:
    """The error of an archive that unpacks to more than MOST_BYTES."""
    return InputError(
        "the archive unpacks to more than is allowed",
        where=where,
        allowed=f"{MOST_BYTES >> 30} GiB",
        do="unpack it yourself and give the folder",
    )


def unpack(path: Path, into: Path, allowance: Allowance, below: str = "") -> list[Member]:
    """All files of an archive, or those of one folder inside it, each in a numbered folder of its own under `into`.

    below: the folder; it may lie in an archive inside, which is then unpacked as a whole. Raises InputError when the archive is broken, breaks a rule, or goes past the allowance.
    """
    members = check_archive(path)
    allowance.files_left -= len(members)
    if allowance.files_left < 0:
        raise InputError("the archives hold too many files", where=path.name, allowed=str(MOST_FILES))
    out = []
    with zipfile.ZipFile(path) as archive:
        for number, member in enumerate(members, start=1):
            name = PurePosixPath(member.filename.replace("\\", "/")).as_posix()
            if below and not (name.startswith(f"{below}/") or below.startswith(f"{name}/")):
                continue
            target = into / f"{number:05d}" / plain_name(name)
            target.parent.mkdir(parents=True)
            _write(archive, member, target, allowance)
            out.append(Member(name, target))
    return out


def plain_name(name: str) -> str:
    """The last part of a stranger's path as the name of a file of ours."""
    last = "".join(c if c.isalnum() or c in "._- " else "_" for c in PurePosixPath(name).name)
    return last.strip(". ")[-100:] or "file"


def _write(archive: zipfile.ZipFile, member: zipfile.ZipInfo, target: Path, allowance: Allowance) -> None:
    where = archive.filename or "archive"
    try:
        with archive.open(member) as source, target.open("wb") as sink:
            while block := source.read(_BLOCK):
                allowance.bytes_left -= len(block)
                if allowance.bytes_left < 0:
                    raise too_big(Path(where).name)
                sink.write(block)
    except (zipfile.BadZipFile, OSError, ValueError, EOFError, RuntimeError, zlib.error, LZMAError) as error:
        raise InputError(
            "the archive cannot be unpacked",
            where=Path(where).name,
            found=f"{member.filename}: {error}",
            do="copy it again from the recorder",
        ) from None
