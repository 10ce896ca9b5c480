"""The ledger: rows reconcile, every decision is told, and --row shows the very bytes of the kept file."""

from __future__ import annotations

import json
import os
import zipfile
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from trimshot.ingest.irig106.packets import HEADER_BYTES, SYNC
from trimshot.ingest.rows import read_rows
from trimshot.ingest.sortie import read_files
from trimshot.reports.cli import trimshot
from trimshot.shared.errors import InputError
from trimshot.shared.settings import Settings
from trimshot.store.programme import Programme, create_programme

DATA = Path(__file__).parents[1] / "data"
KT = 1852 / 3600  # m/s; the international knot is 1852 m an hour, ISO 80000-3
FT = 0.3048  # m; the international foot of 1959

HOSTILE = "\x1b[31mlog; rm -rf ~ \N{LATIN SMALL LETTER U WITH DIAERESIS}.csv"


def table_text(rows: int = 200, *, decimals: str = ".") -> str:
    lines = ["# recorder 7", "utc_time;ias;alt", ";kt;ft"]
    for i in range(rows):
        value = f"{90 + i % 3}.5".replace(".", decimals)
        lines.append(f"2031-03-14T09:{26 + i // 60}:{i % 60:02d}Z;{value};{5000 - 10 * i}")
    lines.insert(60, "2031-03-14T09:26:56Z;91.5;4430;7;8")  # too many fields
    return "\r\n".join(lines) + "\r\n"


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    folder = tmp_path_factory.mktemp("ledger")
    sortie = folder / "one"
    sortie.mkdir()
    (sortie / "log.csv").write_bytes(table_text().encode())
    (sortie / "wide.csv").write_bytes(table_text(decimals=",").encode("utf-16"))
    if os.name != "nt":
        (sortie / HOSTILE).write_bytes(
            table_text().replace("ias;alt", "gs;oil_temp").replace("kt;ft", "kt;degC").encode()
        )
    (sortie / "notes.bin").write_bytes(bytes(range(256)))
    made = create_programme(folder / "programme")
    made.add([sortie])
    return made


def run(programme: Programme, *words: str) -> Result:
    return CliRunner().invoke(trimshot, ["--programme", str(programme.folder), *words])


def records(programme: Programme, *words: str) -> list[dict[str, Any]]:
    result = run(programme, *words, "--format", "json")
    assert result.exit_code == 0, result.output
    found: list[dict[str, Any]] = json.loads(result.stdout)
    return found


# -- rows reconcile ---------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted((DATA / "sorties").glob("*.zip")), ids=lambda p: p.stem)
def test_rows_of_every_sample_sortie_reconcile(path: Path) -> None:
    """Rows in, counted here from the bytes for the formats with one row a line, are all accounted for."""
    with zipfile.ZipFile(path) as archive:
        contents = {Path(name).name: archive.read(name) for name in archive.namelist()}
    reading = read_files(path, Settings())
    assert reading.files
    for file in reading.files:
        assert file.raw is not None, file.error
        ledger = file.raw.ledger
        beside = sum(ledger["not_rows"].values())
        assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + beside, file.file.name
        if file.raw.adapter == "delimited text":
            content = contents[Path(file.file.name).name].rstrip(b"\0")
            lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
            assert ledger["rows_in"] == len(lines) - (lines[-1] == b"")


def test_the_ledger_accounts_for_every_file(programme: Programme) -> None:
    found = {one["file"]: one for one in records(programme, "ledger", "one")}
    log = found["log.csv"]
    kept = programme.folder / "sorties" / "one" / "source" / "log.csv"
    assert log["bytes"] == kept.stat().st_size
    # 204 lines: a preamble, a header, a row of units, 200 rows and one with too many fields
    assert (log["rows_in"], log["rows_out"], log["rows_dropped"], log["rows_reconcile"]) == (204, 200, 1, True)
    assert [(d["row"], d["text"]) for d in log["dropped"]] == [(61, "2031-03-14T09:26:56Z;91.5;4430;7;8")]
    decided = {one["what"]: one for one in log["decisions"]}
    assert decided["delimiter"]["value"] == ";" and decided["encoding"]["value"] == "utf-8"
    assert all(one["evidence"] for one in decided.values() if one["value"] is not None)
    units = {one["channel"]: (one["unit_as_written"], one["unit_read"], one["unit_stored"]) for one in log["units"]}
    assert units["indicated_airspeed"] == ("kt", "kt", "m/s")
    assert log["clock"]["basis"] == "utc"
    wide = {one["what"]: one["value"] for one in found["wide.csv"]["decisions"]}
    assert (wide["encoding"], wide["decimal"]) == ("utf-16", ",")
    assert found["notes.bin"]["error"] and found["notes.bin"]["rows_in"] is None


def test_the_ledger_as_text_shows_the_same(programme: Programme) -> None:
    text = run(programme, "ledger", "one", "log.csv").stdout
    (account,) = [line for line in text.splitlines() if line.startswith("  rows: ")]
    assert account.startswith("  rows: 204 in = 200 out + 1 dropped + ") and account.endswith("; 0 repaired")
    assert all(part in account for part in ("1 preamble", "1 header", "1 units"))
    assert "dropped 61" in text and "delimiter = ;" in text and "wide.csv" not in text


# -- the way back -----------------------------------------------------------------------------------


@pytest.mark.parametrize("row", [1, 2, 4, 61, 62, 204])
def test_row_shows_the_very_bytes(programme: Programme, row: int) -> None:
    source = programme.folder / "sorties" / "one" / "source"
    (found,) = records(programme, "ledger", "one", "log.csv", "--row", str(row))
    whole = (source / "log.csv").read_bytes()
    line = whole.split(b"\r\n")[row - 1]
    assert bytes.fromhex(found["hex"]) == line and found["text"] == line.decode()
    assert whole[found["offset"] : found["offset"] + found["bytes"]] == line
    (wide,) = records(programme, "ledger", "one", "wide.csv", "--row", str(row))
    text = (source / "wide.csv").read_bytes().decode("utf-16").split("\r\n")[row - 1]
    assert wide["text"] == text and bytes.fromhex(wide["hex"]) == text.encode("utf-16-le")


def test_row_shows_the_samples_as_stored_and_as_written(programme: Programme) -> None:
    (found,) = records(programme, "ledger", "one", "log.csv", "--row", "4")
    samples = {one["channel"]: one for one in found["samples"]}
    speed = samples["indicated_airspeed"]
    assert (speed["written"], speed["unit"], speed["header"]) == ("90.5", "m/s", "ias")
    assert speed["value"] == pytest.approx(90.5 * KT, rel=1e-9)
    (altitude,) = [one for name, one in samples.items() if "altitude" in name]
    assert altitude["value"] == pytest.approx(5000 * FT, rel=1e-9)
    assert speed["time_utc"] == "2031-03-14T09:26:00.000Z"


def test_a_row_without_samples_says_where_the_last_ones_stand(programme: Programme) -> None:
    (found,) = records(programme, "ledger", "one", "log.csv", "--row", "61")
    assert found["samples"] == [] and found["row_with_samples_before"] == 60
    assert "row 60" in run(programme, "ledger", "one", "log.csv", "--row", "61").stdout


def test_rows_around_a_time(programme: Programme) -> None:
    found = records(programme, "ledger", "one", "log.csv", "--time", "09:26:10.4")
    # rows from line 4 on, one a second: 09:26:10 is line 14
    assert [one["row"] for one in found] == [12, 13, 14, 15, 16, 17]
    assert [one["row"] for one in records(programme, "ledger", "one", "log.csv", "--time", "2031-03-14T09:26:10.4Z")] == [
        12, 13, 14, 15, 16, 17,
    ]  # fmt: skip


@pytest.mark.skipif(os.name == "nt", reason="such names cannot exist there")
def test_hostile_file_names_neither_reach_the_terminal_nor_leave_the_folder(programme: Programme) -> None:
    result = run(programme, "ledger", "one")
    assert result.exit_code == 0 and "\x1b" not in result.stdout and "log; rm -rf ~ ü.csv" in result.stdout
    kept = HOSTILE.replace("\x1b", "%1B")  # as the folder names it: control characters written out
    (found,) = records(programme, "ledger", "one", kept, "--row", "4")
    assert found["file"] == kept and len(found["samples"]) == 2
    for name in ("../../../settings.toml", "/etc/passwd", "..", "", "log.csv/../log.csv"):
        result = run(programme, "ledger", "one", name, "--row", "1")
        assert result.exit_code == 2 and "no such file" in result.stderr, name


def test_what_cannot_be_shown_ends_with_code_2(programme: Programme) -> None:
    for words, told in (
        (("one", "log.csv", "--row", "205"), "1 to 204"),
        (("two",), "one"),
        (("one", "--row", "1"), "FILE"),
        (("one", "log.csv", "--row", "1", "--time", "09:26"), "exclude"),
        (("one", "log.csv", "--time", "9 o'clock"), "12:04:07.2"),
        (("one", "notes.bin", "--time", "09:26"), "no samples"),
    ):
        result = run(programme, "ledger", *words)
        assert result.exit_code == 2 and told in result.stderr, (words, result.stderr)


def test_a_kept_file_that_was_changed_is_told(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "log.csv").write_bytes(table_text().encode())
    made = create_programme(tmp_path / "programme")
    made.add([tmp_path / "one"])
    kept = made.folder / "sorties" / "one" / "source" / "log.csv"
    kept.chmod(0o644)
    kept.write_bytes(kept.read_bytes().replace(b"90.5", b"95.5"))
    result = run(made, "ledger", "one", "log.csv", "--row", "4")
    assert result.exit_code == 2 and "not the one that was read" in result.stderr


# -- rows of points ---------------------------------------------------------------------------------


def test_points_name_the_rows_they_rest_on(programme: Programme) -> None:
    found = records(programme, "points", "--sortie", "one")
    assert found, "the steady table gives at least one point"
    for point in found:
        (span,) = point["rows"]
        lines = (programme.folder / "sorties" / "one" / "source" / span["file"]).read_bytes()
        text = lines.decode("utf-16" if span["file"] == "wide.csv" else "utf-8").split("\r\n")
        stamps = [f"{line.split(';')[0][:-1]}.000Z" for line in text]
        assert stamps[span["first"] - 1] >= point["start_utc"] > stamps[span["first"] - 2]
        assert stamps[span["last"] - 1] < point["end_utc"]
        assert stamps[span["last"]] in ("Z", ".000Z") or stamps[span["last"]] >= point["end_utc"]  # the row after it


# -- lines of other kinds ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "adapter", "expected"),
    [
        (b"a\nb\r\nc\rd\n", "delimited text", [b"a", b"b", b"c", b"d"]),
        (b"a\n\nb", "delimited text", [b"a", b"", b"b"]),
        (b"\xef\xbb\xbfa\nb\n", "delimited text", [b"a", b"b"]),
        (b"$GPGGA\r\n$GP\rRMC\r\n", "NMEA 0183", [b"$GPGGA", b"$GP\rRMC"]),  # its lines end at line feeds alone
        (b"A\xe4\nB\n", "IGC", [b"A\xe4", b"B"]),
    ],
)
def test_lines_end_where_the_readers_end_them(
    content: bytes, adapter: str, expected: list[bytes], tmp_path: Path
) -> None:
    path = tmp_path / "log"
    path.write_bytes(content)
    numbers = list(range(1, len(expected) + 1))
    found = read_rows(path, numbers, adapter=adapter, codec="latin-1")
    assert [one.content for one in found] == expected
    with pytest.raises(InputError, match=f"1 to {len(expected)}"):
        read_rows(path, [len(expected) + 1], adapter=adapter, codec="latin-1")


def test_a_packet_is_shown_from_its_sync_word_on() -> None:
    path = next((DATA / "samples" / "irig-106-chapter-10").glob("*.ch10"))
    first, second = read_rows(path, [1, 2], adapter="IRIG 106 Chapter 10", codec=None)
    content = path.read_bytes()
    for packet in (first, second):
        assert packet.offset is not None and packet.content[:2] == SYNC and len(packet.content) > HEADER_BYTES
        assert content[packet.offset : packet.offset + len(packet.content)] == packet.content
    # the packet's own length field, bytes 4 to 7 of its header, says where the next one begins
    assert second.offset == (first.offset or 0) + int.from_bytes(first.content[4:8], "little")


def test_a_record_of_a_columnar_file_has_no_bytes_of_its_own(tmp_path: Path) -> None:
    pq.write_table(pa.table({"a": [1.0, 2.0]}), tmp_path / "log.parquet")
    (found,) = read_rows(tmp_path / "log.parquet", [2], adapter="Parquet and Arrow", codec=None)
    assert (found.kind, found.row, found.offset, found.content, found.text) == ("record", 2, None, b"", None)
