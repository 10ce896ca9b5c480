"""Files in a sortie's folder that are no logs by their first bytes: pictures, films, documents."""

from __future__ import annotations

from .raw import LogFile

# (offset, first bytes, what it is); common practice: the formats' own signatures
_SIGNATURES: tuple[tuple[int, bytes, str], ...] = (
    (0, b"\xff\xd8\xff", "a JPEG picture"),
    (0, b"\x89PNG\r\n\x1a\n", "a PNG picture"),
    (0, b"GIF8", "a GIF picture"),
    (0, b"II*\0", "a TIFF picture"),
    (0, b"MM\0*", "a TIFF picture"),
    (8, b"WEBP", "a WebP picture"),
    (4, b"ftyphei", "a HEIF picture"),
    (4, b"ftyp", "a film"),
    (8, b"AVI ", "a film"),
    (0, b"\x1aE\xdf\xa3", "a film"),
    (8, b"WAVE", "a sound recording"),
    (0, b"ID3", "a sound recording"),
    (0, b"OggS", "a sound recording"),
    (0, b"%PDF-", "a PDF document"),
    (0, b"{\\rtf", "a text document"),
    (0, b"\0\0\0\1Bud1", "a file of the computer's desktop"),
)
_DOCUMENTS = {
    ".docx": "a text document",
    ".odt": "a text document",
    ".pptx": "a presentation",
    ".odp": "a presentation",
}


def what_else(file: LogFile) -> str | None:
    """What the file is where its first bytes say that it is no log; None where they do not."""
    for offset, mark, what in _SIGNATURES:
        if file.head[offset : offset + len(mark)] == mark:
            return what
    ending = "." + file.name.rpartition(".")[2].lower()
    return _DOCUMENTS.get(ending) if file.head[:2] == b"PK" else None


_ARCHIVES: tuple[tuple[int, bytes, str], ...] = (
    (257, b"ustar", "a tar archive"),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Rar!\x1a\x07", "a rar archive"),
    (0, b"\x1f\x8b\x08", "a file compressed with gzip"),
    (0, b"BZh", "a file compressed with bzip2"),
    (0, b"\xfd7zXZ\0", "a file compressed with xz"),
    (0, b"\x28\xb5\x2f\xfd", "a file compressed with zstd"),
    (0, b"PK\x03\x04", "a zip archive"),
)


def what_archive(file: LogFile) -> str | None:
    """The kind of archive the file is by its first bytes; None for any other file."""
    return next((what for at, mark, what in _ARCHIVES if file.head[at : at + len(mark)] == mark), None)


def is_tar(file: LogFile) -> bool:
    """True for a tar archive."""
    return file.head[257:262] == b"ustar"
