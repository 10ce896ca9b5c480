"""From what is stored back to the files: the row a sample came from, the rows a point rests on."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..shared.errors import ConditionError, InputError, StoreError
from ..shared.late import pandas as pd
from ..shared.late import parquet as pq
from ..shared.parquet import read_track
from ..shared.recording import Column, Track
from .commit import check_sorties
from .connection import open_catalog
from .places import SOURCE, sortie_folder, wait_for_file

if TYPE_CHECKING:
    from ..ingest.rows import RawRow

SAMPLE_COLUMNS = ("track", "channel", "time_utc", "value", "unit", "written", "header", "unit_as_written")


@dataclass(frozen=True, slots=True, eq=False)
class SourceRow:
    """A row of a kept source file and the samples that came from it.

    samples: one row per channel: track, channel, time_utc, value (in `unit`, SI), written (the
    field as it stands in the line, None where the format has no fields), header, unit_as_written.
    before: the last row before this one that samples came from, when none came from this one (a
    sentence of an epoch, a line of a point).
    """

    file: str
    raw: RawRow
    samples: pd.DataFrame
    before: int | None = None


@dataclass(frozen=True, slots=True)
class _Kept:
    """A kept file: where it lies, and what the catalog says of it."""

    file: str
    path: Path
    adapter: str
    ledger: Mapping[str, Any]
    tracks: tuple[tuple[str, Path], ...]
    start_utc: dt.datetime


def read_source_row(programme: Path, sortie: str, file: str, row: int) -> SourceRow:
    """Row number `row` of a kept file. Raises InputError for a file or row there is not."""
    kept = _find_kept(programme, sortie, file)
    return _source_rows(kept, [row])[0]


def read_source_lines(programme: Path, sortie: str, file: str, rows: Sequence[int]) -> list[RawRow]:
    """Several rows of a kept file as they stand in it, without the samples that came from them: one pass over the file."""
    kept = _find_kept(programme, sortie, file)
    from ..ingest.rows import read_rows  # every reader of logs, which no other question needs

    return read_rows(kept.path, list(rows), adapter=kept.adapter, codec=kept.ledger.get("encoding"))


def read_rows_around(
    programme: Path, sortie: str, file: str, moment: float | dt.datetime | dt.time, count: int = 3
) -> list[SourceRow]:
    """The rows of a kept file nearest to a moment, up to `count` on each side, in order of time.

    moment: seconds since the sortie's start, an aware time, or a time of day, UTC, that is taken
    to lie within the 24 h from the sortie's start. Raises InputError when no sample came from the file.
    """
    kept = _find_kept(programme, sortie, file)
    wanted = _seconds_of(moment, kept.start_utc)
    times, rows = _rows_of_file(kept)
    if not len(rows):
        raise InputError("no samples came from this file", where=file, do="name a row: `--row N`")
    middle = int(np.searchsorted(times, wanted))
    chosen = rows[max(0, middle - count) : middle + count]
    return _source_rows(kept, list(dict.fromkeys(int(row) for row in chosen)))


_POINT_SPANS = """
SELECT p.sortie, p.number, p.start_s, p.stop_s, t.file FROM point AS p
JOIN sortie AS s USING (sortie) JOIN track AS t ON t.sortie = s.sortie AND t.track = s.main_track
WHERE ? IS NULL OR p.sortie = ? ORDER BY p.sortie, p.number
"""


def list_point_rows(programme: Path, sortie: str | None) -> pd.DataFrame:
    """Per point and refused candidate the rows of the main recorder it rests on: sortie, number, file, first, last."""
    with open_catalog(programme) as connection:
        if sortie is not None:
            check_sorties(connection, [sortie])
        spans: pd.DataFrame = connection.execute(_POINT_SPANS, [sortie, sortie]).df()
    found: list[dict[str, Any]] = []
    for (name, track), some in spans.groupby(["sortie", "file"], sort=False):
        found += _rows_of_points(sortie_folder(programme, str(name)) / str(track), some)
    return pd.DataFrame(found, columns=["sortie", "number", "file", "first", "last"])


_MAIN_TRACK = """
SELECT t.file FROM sortie AS s JOIN track AS t ON t.sortie = s.sortie AND t.track = s.main_track WHERE s.sortie = ?
"""


def list_rows_between(programme: Path, sortie: str, start_s: float, stop_s: float) -> pd.DataFrame:
    """The rows of the main recorder's files with start_s <= time < stop_s: sortie, number (0), file, first, last."""
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])
        files = connection.execute(_MAIN_TRACK, [sortie]).fetchall()
    span = pd.DataFrame([{"sortie": sortie, "number": 0, "start_s": start_s, "stop_s": stop_s}])
    found = [row for (file,) in files for row in _rows_of_points(sortie_folder(programme, sortie) / str(file), span)]
    return pd.DataFrame(found, columns=["sortie", "number", "file", "first", "last"])


def list_rows_of_every_file(programme: Path, sortie: str, start_s: float, stop_s: float) -> pd.DataFrame:
    """As `list_rows_between`, of every recorder's files. Raises UnknownSortieError."""
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])
        files = connection.execute("SELECT file FROM track WHERE sortie = ? ORDER BY track", [sortie]).fetchall()
    span = pd.DataFrame([{"sortie": sortie, "number": 0, "start_s": start_s, "stop_s": stop_s}])
    found = [row for (file,) in files for row in _rows_of_points(sortie_folder(programme, sortie) / str(file), span)]
    return pd.DataFrame(found, columns=["sortie", "number", "file", "first", "last"]).drop_duplicates()


def _rows_of_points(track: Path, spans: pd.DataFrame) -> list[dict[str, Any]]:
    table = pq.read_table(_existing(track), columns=["time_s", "row", "source"])
    files = [one["file"] for one in json.loads(table.schema.metadata[b"trimshot"])["sources"]]
    time_s, row, source = (table.column(name).to_numpy() for name in ("time_s", "row", "source"))
    out = []
    for span in spans.itertuples():
        low, high = np.searchsorted(time_s, (span.start_s, span.stop_s), side="left")
        for index in np.unique(source[low:high]):
            rows = row[low:high][source[low:high] == index]
            ends = {"first": int(rows.min()), "last": int(rows.max())}
            out.append({"sortie": span.sortie, "number": int(span.number), "file": files[index], **ends})
    return out


# -- one file ---------------------------------------------------------------------------------------


def _find_kept(programme: Path, sortie: str, file: str) -> _Kept:
    """The kept file of that name, unchanged since it was read."""
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])
        sources = connection.execute(
            "SELECT file, sha256, adapter, ledger, tracks FROM source WHERE sortie = ? ORDER BY number", [sortie]
        ).fetchall()
        tracks = connection.execute("SELECT track, file FROM track WHERE sortie = ?", [sortie]).fetchall()
        start = connection.execute("SELECT epoch_us(start_utc) FROM sortie WHERE sortie = ?", [sortie]).fetchall()
    folder = sortie_folder(programme, sortie)
    for name, sha256, adapter, ledger, fed in sources:
        if name == file:
            path = _unchanged(folder / SOURCE, name, sha256)
            places = tuple((t, folder / f) for t, f in tracks if t in json.loads(fed))
            zero = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=int(start[0][0]))
            return _Kept(name, path, adapter, json.loads(ledger), places, zero)
    names = ", ".join(dict.fromkeys(str(one[0]) for one in sources))
    raise InputError("the sortie has no such file", where=sortie, found=repr(file), allowed=names)


def _unchanged(source: Path, name: str, sha256: str) -> Path:
    path = _existing(source.joinpath(*name.split("/")))
    if not path.resolve().is_relative_to(source.resolve()):
        raise StoreError("a kept file's name leads out of its folder", where=name)
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(1 << 20):
            digest.update(block)
    if sha256 and digest.hexdigest() != sha256:
        raise StoreError(
            "the kept file is not the one that was read", where=str(path), found=f"another hash than {sha256[:16]}",
            do="add the sortie anew with `--replace` from the original files",
        )  # fmt: skip
    return path


def _existing(path: Path) -> Path:
    if not wait_for_file(path):
        raise StoreError("a file of the sortie is missing", where=str(path), do="run `trimshot rebuild`")
    return path


def _tracks_of(kept: _Kept) -> list[tuple[Track, np.ndarray[Any, Any]]]:
    """Tracks the file feeds, each with the mask of the samples that came from it."""
    out = []
    for _, path in kept.tracks:
        track, _ = read_track(_existing(path))
        mine = [index for index, one in enumerate(track.sources) if one.file == kept.file]
        out.append((track, np.isin(track.source_index, mine)))
    return out


def _rows_of_file(kept: _Kept) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """(time, row) of every sample from the file, in order of time."""
    parts = [(track.time_s[mask], track.row[mask]) for track, mask in _tracks_of(kept)]
    times = np.concatenate([part[0] for part in parts] or [np.zeros(0)])
    rows = np.concatenate([part[1] for part in parts] or [np.zeros(0, dtype=np.int64)])
    order = np.argsort(times, kind="stable")
    return times[order], rows[order]


def _source_rows(kept: _Kept, rows: Sequence[int]) -> list[SourceRow]:
    codec = kept.ledger.get("encoding")
    header_line = kept.ledger.get("header_line")
    from ..ingest.rows import read_rows

    raws = read_rows(kept.path, list(rows), adapter=kept.adapter, codec=codec)
    header = read_rows(kept.path, [header_line], adapter=kept.adapter, codec=codec)[0] if header_line else None
    tracks = _tracks_of(kept)
    out = []
    for raw in raws:
        samples = _samples(raw, header, tracks, kept)
        out.append(SourceRow(kept.file, raw, samples, None if len(samples) else _row_before(raw.row, tracks)))
    return out


def _row_before(row: int, tracks: Sequence[tuple[Track, np.ndarray[Any, Any]]]) -> int | None:
    lower = [int(found.max()) for track, mask in tracks if len(found := track.row[mask & (track.row < row)])]
    return max(lower, default=None)


def _samples(
    raw: RawRow, header: RawRow | None, tracks: Sequence[tuple[Track, np.ndarray[Any, Any]]], kept: _Kept
) -> pd.DataFrame:
    fields = _fields(raw, header, kept.ledger)
    out = []
    for track, mask in tracks:
        for place in np.flatnonzero(mask & (track.row == raw.row)):
            moment = kept.start_utc + dt.timedelta(microseconds=round(float(track.time_s[place]) * 1e6))
            out += [
                (track.name, name, moment, _value(column, int(place)), column.unit, fields.get(column.source_name),
                 column.source_name, column.source_unit)
                for name, column in track.columns.items()
                if not column.derived_from
            ]  # fmt: skip
    return pd.DataFrame(out, columns=list(SAMPLE_COLUMNS))


def _value(column: Column, place: int) -> Any:
    value = column.values[place]
    return value if column.is_text or np.isfinite(value) else None


def _fields(raw: RawRow, header: RawRow | None, ledger: Mapping[str, Any]) -> dict[str, str]:
    """Header -> field of a line of delimited text as it stands; nothing where the two do not match."""
    from ..ingest.text.tokens import split_line

    delimiter = ledger.get("delimiter")
    if header is None or raw.text is None or header.text is None or not delimiter:
        return {}
    names, fields = (
        [part.strip() for part in (text.split() if delimiter == "blanks" else split_line(text, delimiter))]
        for text in (header.text, raw.text)
    )
    return dict(zip(names, fields, strict=False)) if len(names) == len(set(names)) else {}


def _seconds_of(moment: float | dt.datetime | dt.time, start_utc: dt.datetime) -> float:
    if isinstance(moment, dt.time):
        at = dt.datetime.combine(start_utc.date(), moment, dt.UTC)
        if at < start_utc - dt.timedelta(hours=12):
            at += dt.timedelta(days=1)
        return (at - start_utc).total_seconds()
    if isinstance(moment, dt.datetime):
        if moment.tzinfo is None:
            raise ConditionError("a time needs its zone", found=moment.isoformat(), do="give it as UTC")
        return (moment - start_utc).total_seconds()
    return float(moment)
