"""Bad files beside a good one, all the way to the programme: one clear line for each, the good one whole, nothing lost."""

from __future__ import annotations

import functools
import gzip
import hashlib
import io
import os
import stat
import sys
import time
import unicodedata
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from trimshot.ingest import archive
from trimshot.ingest.dry_run import describe
from trimshot.ingest.sortie import read_sortie
from trimshot.reports.cli import trimshot
from trimshot.shared.errors import InputError, TrimshotError
from trimshot.shared.findings import Finding
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

GOOD_NAME = "good.csv"
GOOD_ROWS = 120
GOOD = (
    "time utc,ias kt,pressure altitude ft,rpm\n"
    + "".join(
        f"2025-05-06T12:{k // 60:02d}:{k % 60:02d}Z,{90 + k % 3}.0,{5000 - 5 * k},2400\n" for k in range(GOOD_ROWS)
    )
).encode()
HEAD, *ROWS = GOOD.splitlines(keepends=True)
GPX_POINT = '<trkpt lat="47.1" lon="11.2"><ele>600</ele><time>2025-05-06T12:00:00Z</time></trkpt>'
BOMB = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9))
    + f']><gpx version="1.1"><trk><name>&j;</name><trkseg>{GPX_POINT}</trkseg></trk></gpx>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY x SYSTEM "good.csv">]>'
    f'<gpx version="1.1"><trk><name>&x;</name><trkseg>{GPX_POINT}</trkseg></trk></gpx>'
)
posix = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX links, pipes and names")


def zipped(members: dict[str, bytes]) -> bytes:
    """A zip archive of these files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in members.items():
            out.writestr(name, content)
    return buffer.getvalue()


def locked() -> bytes:
    """An archive that says it is encrypted: bit 0 of the flags, in both of its headers (the zip format's note, 4.4.4)."""
    content = bytearray(zipped({"log.csv": GOOD}))
    content[6] |= 1
    content[content.index(b"PK\x01\x02") + 8] |= 1
    return bytes(content)


# content, and whether the folder must tell a fault of it (else: it must be told of in some way)
REFUSED: dict[str, tuple[str, bytes]] = {
    "empty": ("empty.csv", b""),
    "blanks": ("blanks.csv", b" \r\n\t\n\n"),
    "zeros": ("zeros.csv", bytes(300_000)),
    "garbage": ("garbage.csv", bytes((k * 7919 + k * k * 31) % 256 for k in range(50_000))),
    "one line without end": ("line.csv", b"1.5,2.5;" * 200_000),
    "header cut": ("cut.csv", HEAD[:17]),
    "cut IGC": ("cut.igc", b"AXXX001\r\nHFDTE0605"),
    "cut NMEA": ("cut.nmea", b"$GPRMC,120000,A,4706.0,N,0111"),
    "cut XML": ("cut.gpx", b'<?xml version="1.0"?><gpx version="1.1"><trk><trkseg><trkpt lat="47'),
    "XML entity bomb": ("bomb.gpx", BOMB.encode()),
    "XML entity of another file": ("outside.gpx", OUTSIDE.encode()),
    "XML a hundred thousand deep": ("deep.gpx", b"<gpx>" + b"<trk>" * 100_000),
    "HDF5 signature alone": ("cut.h5", b"\x89HDF\r\n\x1a\n"),
    "MATLAB head alone": ("cut.mat", b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM"),
    "Parquet marks alone": ("cut.parquet", b"PAR1" + b"\xff" * 40 + b"PAR1"),
    "Arrow mark alone": ("cut.feather", b"ARROW1\0\0" + b"\xff" * 60),
    "packets cut": ("cut.ch10", b"\x25\xeb" + bytes(22)),
    "spreadsheet that is none": ("cut.xlsx", b"PK\x03\x04" + b"\x14" * 60),
    "spreadsheet of nothing": ("none.xlsx", zipped({"a.txt": b"a"})),
    "spreadsheet that is a bomb": (
        "bomb.xlsx",
        zipped(
            {
                "[Content_Types].xml": b"<Types/>",
                "xl/workbook.xml": b"<a/>",
                "xl/worksheets/sheet1.xml": bytes(80 << 20),
            }
        ),
    ),
    "archive cut": ("cut.zip", zipped({"log.csv": GOOD})[:200]),
    "archive with a way out": ("out.zip", zipped({"../../../etc/evil.csv": GOOD})),
    "archive with a whole path": ("whole.zip", zipped({"/etc/evil.csv": GOOD})),
    "archive with a drive": ("drive.zip", zipped({"C:\\evil.csv": GOOD})),
    "archive with backslashes": ("back.zip", zipped({"..\\..\\evil.csv": GOOD})),
    "archive locked": ("locked.zip", locked()),
    "archive that is a bomb": ("bomb.zip", zipped({"a.csv": bytes(80 << 20)})),
    "archives in archives in archives": (
        "matryoshka.zip",
        zipped({"b.zip": zipped({"c.zip": zipped({"d.zip": zipped({"log.csv": b"x"})})})}),
    ),
    "compressed": ("log.csv.gz", gzip.compress(GOOD, mtime=0)[:-20]),
    "program": ("tool.exe", b"MZ\x90\x00" + bytes(range(256)) * 40),
    "letter": ("read me.txt", b"Dear all,\nthe flight, on Monday, was fine.\nRegards, the crew\n"),
    "dates beyond the calendar": ("far.csv", GOOD.replace(b"2025-", b"9999-")),
    "huge numbers for a time": ("huge.csv", b"time,ias kt\n" + b"".join(b"%d,90\n" % (10**300 + k) for k in range(50))),
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A sortie's folder with a good file in it."""
    place = tmp_path / "sortie"
    place.mkdir()
    (place / GOOD_NAME).write_bytes(GOOD)
    return place


def good_rows(recording: Recording) -> int:
    """Rows of the good file in the recording."""
    return sum(
        int((track.source_index == index).sum())
        for track in recording.tracks
        for index, source in enumerate(track.sources)
        if source.file == GOOD_NAME
    )


def about(findings: Any, name: str) -> list[Finding]:
    """Findings that speak of a file."""
    return [f for f in findings if name in f.text or (f.where or "").startswith(name)]


def check_told(folder: Path, name: str) -> Recording:
    """The good file whole; a fault that names the bad one, in one line."""
    recording = read_sortie(folder, Settings())
    assert good_rows(recording) == GOOD_ROWS
    told = [f for f in about(recording.findings, name) if f.level in ("fault", "doubt")]
    assert told, [str(f) for f in recording.findings]
    assert all("\n" not in f.text and "Traceback" not in f.text for f in told)
    account = describe(folder)
    assert account["outcome"] != "error"
    return recording


def run(*arguments: str) -> Result:
    """A command in this process; a fault of the program fails the test with its traceback."""
    return CliRunner().invoke(trimshot, list(arguments), catch_exceptions=False)


def add(folder: Path) -> tuple[Path, Result]:
    """A new programme beside the folder, the folder added to it."""
    programme = folder.parent / "programme"
    assert run("new", str(programme)).exit_code == 0
    return programme, run("add", "--programme", str(programme), str(folder))


def hashes(place: Path) -> dict[str, str]:
    """Name and hash of every file under a folder."""
    return {
        p.relative_to(place).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(place.rglob("*"))
        if p.is_file()
    }


# -- one bad file beside a good one -----------------------------------------------------------------


@pytest.mark.parametrize("what", REFUSED)
def test_a_bad_file_is_told_in_one_line_and_the_rest_goes_on(what: str, folder: Path) -> None:
    name, content = REFUSED[what]
    (folder / name).write_bytes(content)
    recording = check_told(folder, name)
    assert (folder / name).read_bytes() == content
    if not name.endswith(".zip"):
        assert name in {source.file for source in recording.sources}


@pytest.mark.parametrize("what", REFUSED)
def test_a_bad_file_alone_is_an_error_of_ours(what: str, tmp_path: Path) -> None:
    name, content = REFUSED[what]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(TrimshotError) as caught:
        read_sortie(tmp_path / name, Settings())
    assert "\n" not in str(caught.value)
    assert describe(tmp_path / name)["outcome"] == "error"
    result = run("read", str(tmp_path / name))
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_all_of_them_in_one_folder_are_kept_bit_for_bit(folder: Path) -> None:
    for name, content in REFUSED.values():
        (folder / name).write_bytes(content)
    before = hashes(folder)
    programme, result = add(folder)
    assert result.exit_code == 0, result.output
    assert "Traceback" not in result.output
    assert f"{GOOD_NAME}: delimited text, {GOOD_ROWS + 1} rows in, {GOOD_ROWS} out" in result.output
    for name in before:
        assert name in result.output, f"{name} is not told of"
    kept = hashes(programme / "sorties" / "sortie" / "source")
    # archives that can be opened are kept unpacked, all other files as they came
    assert {n: h for n, h in before.items() if n != "matryoshka.zip"}.items() <= kept.items()
    assert hashes(folder) == before


def test_only_bad_files_add_nothing_and_end_with_code_2(tmp_path: Path) -> None:
    place = tmp_path / "sortie"
    place.mkdir()
    for what in ("garbage", "empty", "zeros"):
        name, content = REFUSED[what]
        (place / name).write_bytes(content)
    programme = tmp_path / "programme"
    run("new", str(programme))
    result = run("add", "--programme", str(programme), str(place))
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert not list((programme / "sorties").glob("*"))


# -- damaged, and still good for something ----------------------------------------------------------


def test_a_log_cut_anywhere_keeps_its_whole_rows(folder: Path) -> None:
    for cut in (len(GOOD) - 1, len(GOOD) - 20, len(GOOD) // 2):
        (folder / "other.csv").write_bytes(GOOD[:cut].replace(b"ias", b"cas"))
        recording = read_sortie(folder, Settings())
        kept = sum(int((t.source_index == i).sum()) for t in recording.tracks for i, s in enumerate(t.sources)
                   if s.file == "other.csv")  # fmt: skip
        assert kept == GOOD[:cut].count(b"\n") - 1
        assert good_rows(recording) == GOOD_ROWS


def test_zeros_behind_a_log_cost_no_row(folder: Path) -> None:
    (folder / GOOD_NAME).write_bytes(GOOD + bytes(5000))
    assert good_rows(read_sortie(folder, Settings())) == GOOD_ROWS


def test_ten_thousand_columns(folder: Path) -> None:
    names = ",".join(f"c{k}" for k in range(10_000))
    rows = "".join(f"2025-05-06T12:00:{k:02d}Z," + ",".join(["1.5"] * 10_000) + "\n" for k in range(5))
    (folder / "wide.csv").write_text(f"time utc,{names}\n{rows}")
    recording = read_sortie(folder, Settings())
    wide = next(t for t in recording.tracks if t.sources[0].file == "wide.csv")
    assert len([c for c in wide.columns.values() if not c.derived_from]) == 10_000
    assert good_rows(recording) == GOOD_ROWS


def test_a_field_of_five_megabytes_costs_its_own_row_only(folder: Path) -> None:
    rows = list(ROWS)
    rows[60] = rows[60].replace(b"2400", b"9" * 5_000_000)
    (folder / GOOD_NAME).write_bytes(HEAD + b"".join(rows))
    recording = read_sortie(folder, Settings())
    assert good_rows(recording) >= GOOD_ROWS - 1
    assert about(recording.findings, GOOD_NAME)
    assert max(len(f.text) for f in recording.findings) < 2000
    assert max(len(str(s.ledger)) for s in recording.sources) < 20_000


LONG = 150_000
LONG_PIECES = {
    "line above the table": b"a" * LONG + b"\n" + GOOD,
    "line above the table, of words": b"ab c= " * (LONG // 6) + b"\n" + GOOD,
    "name of a column": GOOD.replace(b"ias kt", b"ias kt" + b" (a" * (LONG // 3), 1),
    "quoted field": GOOD.replace(b"2400", b'"' + b"x" * LONG + b'"', 1),
    "field of digits": GOOD.replace(b"2400", b"9" * LONG, 1),
    "field like a stamp": GOOD.replace(b"2400", b"2025-05-06T" + b"12:" * (LONG // 3), 1),
    "row of separators": GOOD.replace(ROWS[60], ROWS[60][:-1] + b"," * LONG + b"\n"),
    "unit": GOOD.replace(b"ias kt", b"ias [" + b"k" * LONG + b"]", 1),
}


@pytest.mark.parametrize("what", LONG_PIECES)
def test_a_piece_of_any_length_takes_no_time(what: str, folder: Path) -> None:
    (folder / "long.csv").write_bytes(LONG_PIECES[what])
    begin = time.process_time()
    recording = read_sortie(folder, Settings())
    assert time.process_time() - begin < 5.0  # patterns that go back and forth would take minutes
    assert good_rows(recording) == GOOD_ROWS
    assert max(len(f.text) for f in recording.findings) < 5000


def test_one_stamp_in_another_century_costs_its_own_row_only(folder: Path) -> None:
    for year, count in (
        ("2085", GOOD_ROWS - 1),
        ("1971", GOOD_ROWS - 1),
        ("9998", GOOD_ROWS - 1),
        ("0001", GOOD_ROWS - 1),
    ):
        rows = list(ROWS)
        rows[60] = rows[60].replace(b"2025", year.encode())
        (folder / GOOD_NAME).write_bytes(HEAD + b"".join(rows))
        recording = read_sortie(folder, Settings())
        assert good_rows(recording) == count, year
        assert recording.start_utc.year == 2025
        told = {f.code for f in about(recording.findings, GOOD_NAME) if f.level != "note"}
        assert told & {"STRAY_STAMP", "BAD_STAMP"}, (year, told)


def test_stamps_of_every_year_are_one_error(tmp_path: Path) -> None:
    rows = [row.replace(b"2025", b"%d" % (1980 + k)) for k, row in enumerate(ROWS[:60])]
    (tmp_path / "years.csv").write_bytes(HEAD + b"".join(rows))
    recording = read_sortie(tmp_path / "years.csv", Settings())
    assert sum(len(t.time_s) for t in recording.tracks) == 1
    stray = next(f for f in recording.findings if f.code == "STRAY_STAMP")
    assert stray.count == 59


def test_a_count_that_is_no_clock_is_asked_about(folder: Path) -> None:
    # a row every six hours, for two months: no sortie, and no break to cut it at
    rows = "".join(
        f"2025-{5 + k // 120:02d}-{1 + k // 4 % 30:02d}T{k % 4 * 6:02d}:00:00Z,90,5000\n" for k in range(240)
    )
    (folder / "slow.csv").write_text("time utc,cas kt,pressure altitude ft\n" + rows)
    recording = check_told(folder, "slow.csv")
    stray = next(f for f in recording.findings if f.code == "STRAY_STAMP")
    assert stray.level == "fault" and stray.facts["question"]


def test_two_flights_days_apart_in_one_file_are_two_sessions(tmp_path: Path) -> None:
    later = [row.replace(b"2025-05-06", b"2025-05-26") for row in ROWS]
    (tmp_path / "two.csv").write_bytes(HEAD + b"".join(ROWS) + b"".join(later))
    recording = read_sortie(tmp_path / "two.csv", Settings())
    assert [len(t.time_s) for t in recording.tracks] == [GOOD_ROWS, GOOD_ROWS]
    assert "NOT_TOGETHER" in {f.code for f in recording.findings}


def test_a_length_in_no_known_unit_is_missing_and_told(tmp_path: Path) -> None:
    # the standard knows metres only (NMEA 0183, sentence GGA, fields 10 and 12)
    bodies = [
        f"GPGGA,1200{k:02d}.00,4706.0,N,01112.0,E,1,08,0.9,612.3,{'F' if k == 3 else 'M'},48.0,M,," for k in range(6)
    ]
    sums = [functools.reduce(lambda total, letter: total ^ ord(letter), body, 0) for body in bodies]
    lines = "".join(f"${body}*{total:02X}\r\n" for body, total in zip(bodies, sums, strict=True))
    (tmp_path / "gps.nmea").write_text(lines)
    recording = read_sortie(tmp_path / "gps.nmea", Settings())
    height = recording.tracks[0].columns["gnss_altitude"].values
    assert np.flatnonzero(np.isnan(height)).tolist() == [3]
    assert [f.where for f in recording.findings if f.code == "UNIT_UNKNOWN"] == ["gps.nmea line 4"]


def test_an_extension_announced_twice_is_kept_beside_the_first(tmp_path: Path) -> None:
    rows = "".join(f"B12000{k}4706000N01112000EA0060000620{5 + k}{7 + k}\r\n" for k in range(3))
    (tmp_path / "log.igc").write_text("AXXX001\r\nHFDTE060525\r\nI023636ENL3737ENL\r\n" + rows)
    columns = read_sortie(tmp_path / "log.igc", Settings()).tracks[0].columns.values()
    kept = {c.source_name: c.values.tolist() for c in columns if c.source_name.startswith("ENL")}
    assert kept == {"ENL": [5.0, 6.0, 7.0], "ENL 2": [7.0, 8.0, 9.0]}


# -- names, links, permissions ----------------------------------------------------------------------

NAMES = {
    "quotes": "a 'log' \"of\" it.csv",
    "markup": "<script>alert(1)<&amp;>.csv",
    "new line": "two\nlines.csv",
    "escape": "\x1b[31mred\x07.csv",
    "255 bytes": "n" * 251 + ".csv",
    "composed": unicodedata.normalize("NFC", "Höhenmesser é.csv"),
    "decomposed": unicodedata.normalize("NFD", "Höhenmesser é.csv"),
    "right to left": "log\u202evsc.csv",
    "option": "--replace.csv",
    "blank": " .csv",
    "percent": "%s%n{0}.csv",
    "SQL": "x'); DROP TABLE sortie; --.csv",
}


@posix
@pytest.mark.parametrize("what", NAMES)
def test_odd_names(what: str, folder: Path) -> None:
    name = NAMES[what]
    (folder / name).write_bytes(GOOD.replace(b"ias", b"cas"))
    (folder / ("bad " + name)[-255:]).write_bytes(b"\x01\x02")
    before = hashes(folder)
    programme, result = add(folder)
    assert result.exit_code == 0, result.output
    assert "\x1b" not in result.output and "\x07" not in result.output
    kept = hashes(programme / "sorties" / "sortie" / "source")
    # characters that break a line or a terminal are written %0A and the like; all else stays
    assert sorted(kept.values()) == sorted(before.values())
    assert set(kept) - set(before) == set() or what in ("new line", "escape", "right to left")
    assert not any(unicodedata.category(c) in ("Cc", "Cf") for c in "".join(kept))
    assert good_rows(read_sortie(folder, Settings())) == GOOD_ROWS


@posix
def test_a_name_that_is_not_utf8(folder: Path) -> None:
    try:
        (folder / os.fsdecode(b"h\xf6he.csv")).write_bytes(GOOD.replace(b"ias", b"cas"))
    except OSError:
        pytest.skip("the file system takes UTF-8 names only")
    programme, result = add(folder)
    assert "Traceback" not in result.output
    assert GOOD_NAME in result.output
    assert result.exit_code == 0, result.output
    assert len(hashes(programme / "sorties" / "sortie" / "source")) == 2


@posix
def test_both_forms_of_one_name_are_two_files(folder: Path) -> None:
    forms = [unicodedata.normalize(form, "Höhe.csv") for form in ("NFC", "NFD")]
    for number, name in enumerate(forms):
        (folder / name).write_bytes(GOOD.replace(b"ias", b"cas").replace(b"2400", b"%d" % (2400 + number)))
    if len(list(folder.iterdir())) < 3:
        pytest.skip("the file system holds the two for one")
    recording = read_sortie(folder, Settings())
    assert {source.file for source in recording.sources} == {GOOD_NAME, *forms}


@posix
def test_what_is_no_file_is_told(folder: Path) -> None:
    (folder / "x.csv").mkdir()
    (folder / "loop-a.csv").symlink_to(folder / "loop-b.csv")
    (folder / "loop-b.csv").symlink_to(folder / "loop-a.csv")
    (folder / "self").symlink_to(folder)
    (folder / "endless.csv").symlink_to("/dev/zero")
    (folder / "nothing.csv").symlink_to("/dev/null")
    os.mkfifo(folder / "pipe.csv")
    _, result = add(folder)
    assert result.exit_code == 0, result.output
    for name in ("loop-a.csv", "loop-b.csv", "self", "endless.csv", "nothing.csv", "pipe.csv"):
        assert name in result.output, f"{name} is not told of"
    assert good_rows(read_sortie(folder, Settings())) == GOOD_ROWS


@posix
@pytest.mark.parametrize("path", ["/dev/zero", "/dev/null"])
def test_a_device_is_no_sortie(path: str) -> None:
    with pytest.raises(InputError):
        read_sortie(Path(path), Settings())
    assert run("read", path).exit_code == 2


def refuse(monkeypatch: pytest.MonkeyPatch, name: str, error: Callable[[], OSError]) -> None:
    """Opening the file of that name fails, as it would for a user who may not."""
    plain = Path.open

    def opened(self: Path, *arguments: Any, **named: Any) -> Any:
        if self.name == name:
            raise error()
        return plain(self, *arguments, **named)

    monkeypatch.setattr(Path, "open", opened)


@pytest.mark.parametrize(
    "error",
    [lambda: PermissionError(13, "Permission denied"), lambda: OSError(5, "Input/output error")],
    ids=["permission", "broken card"],
)
def test_a_file_that_cannot_be_opened(
    error: Callable[[], OSError], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "other.csv").write_bytes(GOOD)
    refuse(monkeypatch, "other.csv", error)
    recording = read_sortie(folder, Settings())
    assert good_rows(recording) == GOOD_ROWS
    told = about(recording.findings, "other.csv")
    assert [f.code for f in told] == ["FILE_SKIPPED"]
    _, result = add(folder)
    assert result.exit_code == 0, result.output
    assert "other.csv" in result.output


@posix
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may read everything")
def test_a_file_and_a_folder_without_permission(folder: Path) -> None:
    (folder / "mine.csv").write_bytes(GOOD)
    (folder / "mine.csv").chmod(0)
    (folder / "closed").mkdir()
    (folder / "closed").chmod(0)
    try:
        recording = read_sortie(folder, Settings())
    finally:
        (folder / "closed").chmod(stat.S_IRWXU)
    assert {f.where for f in recording.findings if f.code == "FILE_SKIPPED"} == {"mine.csv", "closed"}
    assert good_rows(recording) == GOOD_ROWS


# -- files that change while they are read ----------------------------------------------------------


def on_opening(monkeypatch: pytest.MonkeyPatch, name: str, nth: int, what: Callable[[Path], None]) -> None:
    """Something happens to the file of that name just before it is opened for the nth time."""
    plain = Path.open
    count = 0

    def opened(self: Path, mode: str = "r", *arguments: Any, **named: Any) -> Any:
        nonlocal count
        if self.name == name and mode == "rb":
            count += 1
            if count == nth:
                what(self)
        return plain(self, mode, *arguments, **named)

    monkeypatch.setattr(Path, "open", opened)


def grow(path: Path) -> None:
    """More rows, the last one only half written."""
    later = "".join(f"2025-05-06T12:02:{k:02d}Z,91.0,4400,2400\n" for k in range(30)) + "2025-05-06T12:02:3"
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_APPEND), "ab") as stream:
        stream.write(later.encode())


def remove(path: Path) -> None:
    """The card is pulled out."""
    path.unlink(missing_ok=True)


@pytest.mark.parametrize("nth", [1, 2, 3, 4])
def test_a_file_still_being_written(nth: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "live.csv").write_bytes(GOOD.replace(b"ias", b"cas"))
    on_opening(monkeypatch, "live.csv", nth, grow)
    programme, result = add(folder)
    assert result.exit_code == 0, result.output
    recording = read_sortie(programme / "sorties" / "sortie" / "source", Settings())
    assert good_rows(recording) == GOOD_ROWS
    # what the store says of the file is what it kept
    kept = next(s for s in recording.sources if s.file == "live.csv")
    content = (programme / "sorties" / "sortie" / "source" / "live.csv").read_bytes()
    assert (kept.sha256, kept.bytes) == (hashlib.sha256(content).hexdigest(), len(content))


@pytest.mark.parametrize("nth", [1, 2, 3, 4, 5])
def test_a_file_that_disappears(nth: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "gone.csv").write_bytes(GOOD.replace(b"ias", b"cas"))
    on_opening(monkeypatch, "gone.csv", nth, remove)
    recording = read_sortie(folder, Settings())
    assert good_rows(recording) == GOOD_ROWS
    source = next((s for s in recording.sources if s.file == "gone.csv"), None)
    assert source is not None
    # read to its end before it went, or told of
    whole = hashlib.sha256(GOOD.replace(b"ias", b"cas")).hexdigest()
    assert source.sha256 == whole or about(recording.findings, "gone.csv")


@pytest.mark.parametrize("nth", [1, 2, 3, 4])
def test_a_file_that_disappears_during_an_add(nth: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "gone.csv").write_bytes(GOOD.replace(b"ias", b"cas"))
    on_opening(monkeypatch, "gone.csv", nth, remove)
    _, result = add(folder)
    assert "Traceback" not in result.output
    assert result.exit_code == 0, result.output
    # the first two looks only ask whether this is a sortie's folder: what goes before it is listed was never there
    assert nth < 3 or "gone.csv" in result.output


# -- archives ---------------------------------------------------------------------------------------


def test_a_bomb_that_lies_about_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = bytearray(zipped({"a.csv": bytes(3 << 20)}))
    for at in (22, content.index(b"PK\x01\x02") + 24):  # size unpacked, in both headers
        content[at : at + 4] = (1000).to_bytes(4, "little")
    (tmp_path / "liar.zip").write_bytes(bytes(content))
    monkeypatch.setattr(archive, "MOST_BYTES", 1 << 20)
    with pytest.raises(InputError) as caught:
        read_sortie(tmp_path / "liar.zip", Settings())
    assert "liar.zip" in str(caught.value)


def test_a_good_archive_with_a_bad_file_in_it(tmp_path: Path) -> None:
    (tmp_path / "sortie.zip").write_bytes(zipped({GOOD_NAME: GOOD, "bad.bin": bytes(range(256)), "deep/x.csv": b""}))
    recording = read_sortie(tmp_path / "sortie.zip", Settings())
    assert good_rows(recording) == GOOD_ROWS
    assert about(recording.findings, "bad.bin") and about(recording.findings, "deep/x.csv")


def test_an_archive_writes_nowhere_else(folder: Path) -> None:
    (folder / "out.zip").write_bytes(zipped({"../escaped.csv": GOOD, "ok.csv": GOOD}))
    before = sorted(folder.parent.rglob("*"))
    check_told(folder, "out.zip")
    assert sorted(folder.parent.rglob("*")) == before
