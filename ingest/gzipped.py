"""Single logs compressed with gzip: opened into a temporary folder, within the limits of an archive."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

from ..shared.errors import InputError
from .archive import MOST_RATIO, RATIO_FLOOR_BYTES, Allowance, Member, plain_name, too_big
from .raw import HEAD_BYTES

_MARK = b"\x1f\x8b\x08"
_BLOCK = 1 << 20
_TAR_AT, _TAR = 257, b"ustar"  # POSIX.1-1988: the mark in a tar archive's first header


def is_gzipped(path: Path) -> bool:
    """True for a file named .gz that begins as gzip does (RFC 1952)."""
    if path.suffix.lower() != ".gz" or not path.is_file():
        return False
    try:
        with path.open("rb") as stream:
            return stream.read(3) == _MARK
    except OSError:
        return False


def read_gzipped_head(path: Path) -> bytes:
    """The first bytes of the log inside; empty when they cannot be unpacked."""
    try:
        with gzip.open(path, "rb") as stream:
            return stream.read(HEAD_BYTES)
    except (OSError, EOFError, zlib.error):
        return b""


def unpack_gzipped(path: Path, into: Path, allowance: Allowance) -> Member:
    """The log inside, without the ending .gz. Raises InputError when it is damaged, goes past the limits, or is a tar archive."""
    head = read_gzipped_head(path)
    if head[_TAR_AT : _TAR_AT + len(_TAR)] == _TAR:
        raise InputError("a compressed tar archive is not opened", where=path.name, do="unpack it and give the folder")
    allowed = min(allowance.bytes_left, max(RATIO_FLOOR_BYTES, MOST_RATIO * path.stat().st_size))
    target = into / plain_name(path.name[: -len(path.suffix)])
    into.mkdir(parents=True, exist_ok=True)
    try:
        with gzip.open(path, "rb") as source, target.open("wb") as sink:
            while block := source.read(_BLOCK):
                allowance.bytes_left -= len(block)
                if allowance.bytes_left < 0:
                    raise too_big(path.name)
                if sink.tell() + len(block) > allowed:
                    raise InputError(
                        "the compressed file unpacks to far more than a log can shrink",
                        where=path.name,
                        allowed=f"{MOST_RATIO} times",
                        do="unpack it yourself, look at it, and give the folder",
                    )
                sink.write(block)
    except (OSError, EOFError, zlib.error) as error:
        raise InputError(
            "the compressed file (gz) is damaged or cut short",
            where=path.name,
            found=str(error),
            do="copy it again from the recorder",
        ) from None
    return Member(target.name, target)
