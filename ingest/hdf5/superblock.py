"""The first block of an HDF5 file: where it begins and how long it says the file is.

Layout: HDF5 File Format Specification 3.0, section II.A, versions 0 to 3.
"""

from __future__ import annotations

SIGNATURE = b"\x89HDF\r\n\x1a\n"
PLACES = (0, 512, 1024, 2048)  # what a text block in front may leave room for, inside the first 4 KiB
_UNKNOWN = {4: 0xFFFFFFFF, 8: 0xFFFFFFFFFFFFFFFF}


def find_signature(head: bytes) -> int | None:
    """Offset of the signature, or None."""
    return next((at for at in PLACES if head[at : at + 8] == SIGNATURE), None)


def stored_size(head: bytes, at: int) -> int | None:
    """Size of the whole file as the superblock at this offset states it, in bytes; None when it cannot be told."""
    block = head[at:]
    if len(block) < 64:
        return None
    version = block[8]
    if version in (0, 1):
        width, start = block[13], 24 if version == 0 else 28
        end = start + 2 * width
    elif version in (2, 3):
        width, start = block[9], 12
        end = start + 2 * width
    else:
        return None
    if width not in _UNKNOWN:
        return None
    size = int.from_bytes(block[end : end + width], "little")
    return None if size == _UNKNOWN[width] else size
