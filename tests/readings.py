"""What tests of the adapters ask of a file read."""

from __future__ import annotations

import datetime as dt

from trimshot.ingest.raw import RawColumn, RawFile
from trimshot.shared.findings import Finding


def column_headed(raw: RawFile, header: str) -> RawColumn:
    """The one column of a header."""
    (found,) = [c for c in raw.tracks[0].columns if c.header == header]
    return found


def found(raw: RawFile, code: str) -> Finding:
    """The one finding of a code."""
    (one,) = [f for f in raw.findings if f.code == code]
    return one


def utc(*parts: int) -> float:
    """Seconds since 1970 of a UTC moment, from the standard library."""
    return dt.datetime(*parts, tzinfo=dt.UTC).timestamp()  # type: ignore[arg-type, misc]
