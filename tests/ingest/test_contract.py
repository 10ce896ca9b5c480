"""What every adapter owes: its samples are claimed by it alone, read by the rules, and read as expected.

A sample lies in tests/data/samples/<adapter>/, its expected answer beside it as <sample>.expected.json:
checked by eye against the sample's own lines when it was made. After a wanted change write them anew,
from the root of the repository, and look at every difference:

    python -m tests.ingest.test_contract
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.raw import HEAD_BYTES, Adapter, LogFile, RawColumn, RawFile, RawTrack
from trimshot.ingest.registry import ADAPTERS, choose
from trimshot.shared.codes import CODES
from trimshot.shared.errors import TrimshotError, UnknownFormatError
from trimshot.shared.units import find_unit, to_si
from trimshot.shared.vocabulary import CHANNELS

SAMPLES = Path(__file__).parent.parent / "data" / "samples"
ENDING = ".expected.json"
BASES = {"utc", "gps", "local", "elapsed", "time_of_day", "none"}


def folder_of(adapter: Adapter) -> str:
    """Name of an adapter's sample folder."""
    return adapter.name.lower().replace(" ", "-")


def samples_of(adapter: Adapter) -> list[Path]:
    """Its samples, without their expected answers."""
    folder = SAMPLES / folder_of(adapter)
    return sorted(p for p in folder.glob("*") if not p.name.endswith(ENDING))


PAIRS = [(adapter, path) for adapter in ADAPTERS for path in samples_of(adapter)]
each_sample = pytest.mark.parametrize(("adapter", "path"), PAIRS, ids=[f"{folder_of(a)}/{p.name}" for a, p in PAIRS])
EXTRAS = {"MDF": "asammdf"}  # adapter -> library of its extra; without it there is nothing to read with


def is_readable(adapter: Adapter) -> bool:
    """Whether everything the adapter needs is installed."""
    return adapter.name not in EXTRAS or importlib.util.find_spec(EXTRAS[adapter.name]) is not None


READABLE = [(adapter, path) for adapter, path in PAIRS if is_readable(adapter)]
each_readable = pytest.mark.parametrize(
    ("adapter", "path"), READABLE, ids=[f"{folder_of(a)}/{p.name}" for a, p in READABLE]
)


def log_file(path: Path) -> LogFile:
    """A sample as the folder would give it."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


# -- the summary that is kept beside every sample -----------------------------------------------


def summary(raw: RawFile) -> dict[str, Any]:
    """A RawFile as plain JSON: enough of it that no change goes unseen."""
    return {
        "adapter": raw.adapter,
        "tracks": [track_summary(track) for track in raw.tracks],
        "findings": [[f.code, f.count, f.where] for f in raw.findings],
        "ledger": {
            key: raw.ledger[key] for key in ("rows_in", "rows_out", "rows_dropped", "rows_repaired", "not_rows")
        },
        "card": None if raw.card is None else card_summary(raw),
    }


def track_summary(track: RawTrack) -> dict[str, Any]:
    """One track: its clock, its rows, its columns."""
    seconds = track.time.seconds
    edges: list[Any] = [round(float(edge), 9) for edge in seconds[[0, -1]]] if len(seconds) else []
    if track.time.basis in ("utc", "gps", "local"):
        edges = [dt.datetime.fromtimestamp(edge, dt.UTC).isoformat(timespec="milliseconds")[:-6] for edge in edges]
    return {
        "kind": track.kind,
        "basis": track.time.basis,
        "first_last": edges,
        "resolution_s": rounded(track.time.resolution_s),
        "start": track.time.start.isoformat() if track.time.start else None,
        "rows": len(track.row),
        "first_last_row": [int(track.row[0]), int(track.row[-1])] if len(track.row) else [],
        "columns": [column_summary(column) for column in track.columns],
    }


def column_summary(column: RawColumn) -> list[Any]:
    """header, unit, channel, step, how many samples, the first, the last, the least and the largest."""
    head = [column.header, column.unit, column.channel, rounded(column.step)]
    if column.values.dtype == object:
        words = [v for v in column.values if v is not None]
        return [*head, len(words), *words[:1], *words[-1:], *sorted(set(words))[:6]]
    known = column.values[np.isfinite(column.values)]
    if not len(known):
        return [*head, 0]
    return [*head, len(known), *(rounded(float(v)) for v in (known[0], known[-1], known.min(), known.max()))]


def card_summary(raw: RawFile) -> dict[str, Any]:
    """A card's fields that say something."""
    card = raw.card
    names = (
        "aircraft",
        "purpose",
        "take_off_mass_kg",
        "take_off_fuel_kg",
        "cg_m",
        "altimeter_setting_pa",
        "field_elevation_m",
        "notes",
        "planned_points",
        "other",
    )
    found = {name: getattr(card, name) for name in names}
    return {name: plain(value) for name, value in found.items() if value not in (None, (), {})}


def plain(value: Any) -> Any:
    """Tuples as lists, floats rounded, mappings as objects."""
    if isinstance(value, float):
        return rounded(value)
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    return {key: plain(item) for key, item in value.items()} if isinstance(value, dict) else value


def rounded(value: float | None) -> float | None:
    """Nine significant decimals: what a file's digits can tell, and no last bit of a conversion."""
    return None if value is None else round(float(value), 9)


# -- the rules every RawFile keeps --------------------------------------------------------------


def check_rules(raw: RawFile, adapter: Adapter) -> None:
    """The invariants of ingest.raw; a broken one fails the calling test."""
    assert (raw.adapter, raw.adapter_version) == (adapter.name, adapter.version)
    for track in raw.tracks:
        check_track(track)
    assert raw.card is None or not raw.tracks
    ledger = raw.ledger
    json.dumps(dict(ledger), allow_nan=False)
    assert ledger["rows_out"] == sum(len(track.row) for track in raw.tracks)
    assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())
    assert min(ledger["not_rows"].values(), default=0) >= 0
    assert len(ledger["dropped_lines"]) == min(ledger["rows_dropped"], 1000)
    for finding in raw.findings:
        assert finding.code in CODES
        assert finding.level in ("note", "doubt", "fault")
        assert finding.text and finding.count >= 1
        json.dumps(dict(finding.facts), allow_nan=False)
    assert all(isinstance(k, str) and isinstance(v, str) for k, v in raw.metadata.items())


def check_track(track: RawTrack) -> None:
    """Shapes, types, clock and columns of one track."""
    time, rows = track.time, len(track.row)
    assert time.basis in BASES
    assert track.row.dtype == np.int64 and (track.row > 0).all()
    assert time.seconds.dtype == np.float64 and time.seconds.shape == (rows,)
    if time.basis != "none":
        assert np.isfinite(time.seconds).all()
        assert (np.diff(time.seconds) >= 0).all()
    assert math.isfinite(time.resolution_s) and time.resolution_s >= 0
    assert track.fingerprint
    assert len({column.header for column in track.columns}) == len(track.columns)
    for column in track.columns:
        check_column(column, rows)


def check_column(column: RawColumn, rows: int) -> None:
    """One column: float64 without infinities or words and None; a sane step; units that are units."""
    assert column.header and column.values.shape == (rows,)
    if column.values.dtype == object:
        assert all(value is None or isinstance(value, str) for value in column.values)
        return
    assert column.values.dtype == np.float64
    assert not np.isinf(column.values).any()
    assert column.step is None or (math.isfinite(column.step) and column.step > 0)
    if column.channel is None:
        return
    meaning = CHANNELS[column.channel]
    unit = find_unit(column.unit or "")
    assert unit is not None, f"{column.header}: a channel named by its format has a unit, not {column.unit!r}"
    allowed = {meaning.kind, {"coordinate": "angle", "count": "ratio"}.get(meaning.kind, meaning.kind)}
    assert unit.kind in allowed, f"{column.header}: {unit.kind} is not {meaning.kind}"


def check_plausible(track: RawTrack) -> None:
    """Samples of a good file lie in the plausible range of the channel their format names."""
    for column in track.columns:
        meaning = CHANNELS.get(column.channel or "")
        unit = find_unit(column.unit or "")
        if meaning is None or unit is None:
            continue
        values = column.values if meaning.kind == "coordinate" else to_si(column.values, unit.symbol)
        known = values[np.isfinite(values)]
        assert ((known >= meaning.low) & (known <= meaning.high)).all(), column.header


# -- the tests ----------------------------------------------------------------------------------


def test_every_adapter_has_samples_and_every_sample_an_adapter() -> None:
    assert {folder_of(a) for a in ADAPTERS} == {p.name for p in SAMPLES.iterdir()}
    for adapter in ADAPTERS:
        assert samples_of(adapter), f"{adapter.name} has no sample in tests/data/samples/{folder_of(adapter)}"
    kept = {p.name.removesuffix(ENDING) for p in SAMPLES.glob(f"*/*{ENDING}")}
    assert kept == {path.name for _, path in PAIRS}


@each_sample
def test_a_sample_is_claimed_by_its_own_adapter_alone(adapter: Adapter, path: Path) -> None:
    file = log_file(path)
    answers = {other.name: other.claims(file) for other in ADAPTERS}
    assert [name for name, claim in answers.items() if claim.yes] == [adapter.name], answers
    assert all(claim.reason for claim in answers.values())
    assert choose(file) is adapter


@each_sample
def test_a_sample_is_claimed_by_its_head_alone(adapter: Adapter, path: Path) -> None:
    # sniffing does no input or output: the file need not even exist
    content = path.read_bytes()
    file = LogFile(Path("no such folder") / path.name, path.name, len(content), content[:HEAD_BYTES])
    assert choose(file) is adapter


@each_readable
def test_a_sample_reads_by_the_rules(adapter: Adapter, path: Path) -> None:
    raw = adapter.read(log_file(path), None)
    check_rules(raw, adapter)
    assert raw.card is not None or sum(len(track.row) for track in raw.tracks) > 0
    for track in raw.tracks:
        check_plausible(track)


@each_readable
def test_a_sample_reads_as_expected(adapter: Adapter, path: Path) -> None:
    expected = json.loads(path.with_name(path.name + ENDING).read_text(encoding="utf-8"))
    assert json.loads(json.dumps(summary(adapter.read(log_file(path), None)))) == expected


@each_readable
def test_reading_twice_gives_the_same_and_leaves_the_file_alone(adapter: Adapter, path: Path) -> None:
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    first, second = (adapter.read(log_file(path), None) for _ in range(2))
    assert summary(first) == summary(second)
    assert [t.fingerprint for t in first.tracks] == [t.fingerprint for t in second.tracks]
    assert before == (path.read_bytes(), path.stat().st_mtime_ns)


@each_readable
def test_a_relative_path_reads_the_same(adapter: Adapter, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    absolute = summary(adapter.read(log_file(path), None))
    monkeypatch.chdir(path.parent)
    assert summary(adapter.read(log_file(Path(path.name)), None)) == absolute


def damaged_copies(content: bytes) -> Iterator[tuple[str, bytes]]:
    """Copies cut at twelve places, with a byte exchanged at twelve, with zeros at the end."""
    for part in range(1, 13):
        at = part * (len(content) - 1) // 12
        yield f"cut at {at}", content[:at]
        yield f"byte {at}", content[:at] + b"\xfe" + content[at + 1 :]
        yield f"zero {at}", content[:at] + b"\0" + content[at + 1 :]
    yield "zeros behind", content + bytes(300)
    yield "twice", content + content


@each_readable
def test_damaged_copies_give_findings_or_an_error_of_ours(adapter: Adapter, path: Path, tmp_path: Path) -> None:
    rows = sum(len(track.row) for track in adapter.read(log_file(path), None).tracks)
    for number, (what, content) in enumerate(damaged_copies(path.read_bytes())):
        copy = tmp_path / f"{number}{path.suffix}"
        copy.write_bytes(content)
        try:
            raw = adapter.read(log_file(copy), None)
        except TrimshotError as error:
            assert copy.name in str(error), f"{what}: the error does not name the file: {error}"
            continue
        check_rules(raw, adapter)
        if what.startswith("cut"):
            assert sum(len(track.row) for track in raw.tracks) <= rows, what


@each_sample
def test_an_empty_copy_is_nobodys_and_an_error_of_ours(adapter: Adapter, path: Path, tmp_path: Path) -> None:
    copy = tmp_path / path.name
    copy.write_bytes(b"")
    with pytest.raises(UnknownFormatError) as caught:
        choose(log_file(copy))
    assert caught.value.code == "EMPTY_FILE"
    try:
        raw = adapter.read(log_file(copy), None)
    except TrimshotError as error:
        assert copy.name in str(error)
    else:
        assert raw.findings or raw.card is not None


def write_expected() -> None:
    """Write every sample's summary anew."""
    for adapter, path in READABLE:
        text = json.dumps(summary(adapter.read(log_file(path), None)), indent=1, ensure_ascii=False)
        path.with_name(path.name + ENDING).write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_expected()
