"""Every row of every log counted again from the file's own lines, and compared with what is told and stored.

The lines are told apart here by their looks alone, by a few rules for the eleven sorties' recorders that share nothing
with the readers: a sample of a text log begins with a digit, a fix of a flight recorder with B, a satellite
receiver's row is one or more whole sentences of one time, whole when its sum of exclusive ors is the one written.
"""

from __future__ import annotations

import functools
import zipfile
from collections import Counter
from pathlib import Path

import pytest

from trimshot.store.programme import Programme, create_programme

SORTIES = Path(__file__).parent / "data" / "sorties"


def _files() -> list[tuple[str, str]]:
    """(sortie, file) of every file of the eleven archives."""
    out = []
    for archive in sorted(SORTIES.glob("*.zip")):
        with zipfile.ZipFile(archive) as opened:
            names = [Path(name).name for name in opened.namelist() if not name.endswith("/")]
        out += [(archive.stem, name) for name in sorted(names)]
    return out


FILES = _files()
LOGS = [(sortie, name) for sortie, name in FILES if not name.startswith("card.")]


@functools.cache
def lines_of(sortie: str, file: str) -> list[bytes]:
    """A file's lines as they stand in the archive, without their ends."""
    with zipfile.ZipFile(SORTIES / f"{sortie}.zip") as opened:
        (name,) = [one for one in opened.namelist() if Path(one).name == file]
        return opened.read(name).splitlines()


def count_rows(file: str, lines: list[bytes]) -> tuple[set[int], int]:
    """Numbers (from 1) of the lines that are, or begin, a row with values, and how many lines of values are broken."""
    if file.endswith(".igc"):
        return {number for number, line in enumerate(lines, 1) if line.startswith(b"B")}, 0
    if file.endswith(".nmea"):
        return _sentences(lines)
    marked = [(number, line) for number, line in enumerate(lines, 1) if line[:1].isdigit()]
    delimiter = b";" if b";" in marked[0][1] else b","
    cells = Counter(line.count(delimiter) for _, line in marked).most_common(1)[0][0]
    whole = {number for number, line in marked if line.count(delimiter) == cells}
    return whole, len(marked) - len(whole)


def _sentences(lines: list[bytes]) -> tuple[set[int], int]:
    rows, last, broken = set(), b"", 0
    for number, line in enumerate(lines, 1):
        text, _, told = line.strip()[1:].partition(b"*")
        if f"{functools.reduce(int.__xor__, text, 0):02X}".encode() != told:
            broken += 1
            continue
        time = text.split(b",")[1]
        if time != last:
            rows.add(number)
            last = time
    return rows, broken


def test_there_is_something_to_count() -> None:
    # the simulation's own account: 11 sorties, each a card, a flight recorder and a receiver, 29 text logs, one of them cut
    kinds = Counter(Path(name).suffix for _, name in LOGS)
    assert kinds == {".igc": 11, ".nmea": 11, ".csv": 26, ".txt": 3}
    assert len(FILES) - len(LOGS) == 11
    rows, broken = count_rows(
        "a.nmea", [b"$GNRMC,134024.00,V,,,,,,,060525,,,N*67", b"$GNGGA,134024.00,,,,,0,00,99.9,,,,,,*42"]
    )
    assert (rows, broken) == ({1}, 1)


@pytest.fixture(scope="module")
def told(eleven: Programme) -> dict[tuple[str, str], dict[str, int]]:
    """(sortie, file) -> counts of the view `sources`."""
    frame = eleven.sql("SELECT sortie, file, rows_in, rows_out, rows_dropped, rows_repaired FROM sources")
    counts = frame.set_index(["sortie", "file"]).to_dict("index")
    return {(str(key[0]), str(key[1])): value for key, value in counts.items()}


def test_no_file_is_forgotten(told: dict[tuple[str, str], dict[str, int]]) -> None:
    assert sorted(told) == sorted(FILES)


@pytest.mark.parametrize(("sortie", "file"), FILES)
def test_every_line_is_accounted_for(
    eleven: Programme, told: dict[tuple[str, str], dict[str, int]], sortie: str, file: str
) -> None:
    lines = lines_of(sortie, file)
    count = told[sortie, file]
    is_card = file.startswith("card.")
    assert count["rows_in"] == len([line for line in lines if line.strip() or not is_card])
    ledger = eleven.ledger(sortie).set_index("file").loc[file]
    assert (ledger["rows_in"], ledger["rows_out"]) == (count["rows_in"], count["rows_out"])
    if is_card:
        assert count["rows_out"] == 0
        return
    rows, broken = count_rows(file, lines)
    assert (count["rows_out"], count["rows_dropped"]) == (len(rows), broken)


@pytest.mark.parametrize("sortie", sorted({sortie for sortie, _ in LOGS}))
def test_the_stored_rows_are_the_lines_of_the_files(eleven: Programme, sortie: str) -> None:
    ledger = eleven.ledger(sortie)
    seen = set()
    for track in sorted(set(eleven.channels(sortie)["track"]) - {"frame"}):
        files = [row["file"] for row in ledger.to_dict("records") if track in row["tracks"]]
        samples = eleven.track(sortie, track)
        for place, file in enumerate(files):
            stored = samples[samples["source"] == place]["row"].tolist()
            rows, _ = count_rows(file, lines_of(sortie, file))
            assert len(stored) == len(set(stored))
            assert set(stored) == rows, (file, sorted(rows ^ set(stored))[:5])
            seen.add(file)
    assert seen == {file for name, file in LOGS if name == sortie}


DAMAGED = "S250508-03-speed_power"
# file's ending or beginning -> number of a line -> what becomes of it
DAMAGE: dict[str, dict[int, bytes]] = {
    "display": {1000: b"14:59:41.0,3659,3758", 2000: b"\xff\xfe\x00garbage", 3001: b""},
    "engine": {2856: b"2025-05-08,15:44:57,0,28."},  # the last one, without an end
    "gnss": {3001: b"$GNRMC,132120.00,A,5640.78460,N*00", 4002: b"$GNGGA,132940.00"},
    "2025": {101: b"B1258124637198N01418"},
}
BLANK = ("display_0073.csv", 3001)


@pytest.fixture(scope="module")
def damaged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, dict[str, list[bytes]]]:
    """A sortie with lines cut, garbled and emptied, and its files' lines."""
    folder = tmp_path_factory.mktemp("damaged")
    lines = {file: list(lines_of(sortie, file)) for sortie, file in FILES if sortie == DAMAGED}
    (folder / DAMAGED).mkdir()
    for file, some in lines.items():
        for number, line in DAMAGE.get(file.split("_")[0].split("-")[0], {}).items():
            some[number - 1] = line
        end = b"\r\n" if file.endswith((".igc", ".nmea")) else b"\n"
        content = end.join(some) + (b"" if file.startswith("engine") else end)
        (folder / DAMAGED / file).write_bytes(content)
    programme = create_programme(folder / "programme")
    assert programme.add([folder / DAMAGED]).count("added") == 1
    return programme, lines


def test_what_is_damaged_is_named_line_by_line(damaged: tuple[Programme, dict[str, list[bytes]]]) -> None:
    programme, lines = damaged
    for row in programme.ledger(DAMAGED).to_dict("records"):
        file = row["file"]
        spoilt = DAMAGE.get(file.split("_")[0].split("-")[0], {})
        wanted = {number for number in spoilt if (file, number) != BLANK}
        assert {one[0] for one in row["ledger"]["dropped_lines"]} == wanted, file
        assert row["rows_dropped"] == len(wanted)
        assert row["rows_in"] == row["rows_out"] + row["rows_dropped"] + sum(row["ledger"]["not_rows"].values())
        if not file.startswith("card."):
            rows, _ = count_rows(file, lines[file])
            assert row["rows_out"] == len(rows - set(spoilt))


def test_what_is_damaged_is_not_stored(damaged: tuple[Programme, dict[str, list[bytes]]]) -> None:
    programme, lines = damaged
    for row in programme.ledger(DAMAGED).to_dict("records"):
        for track in row["tracks"]:
            stored = set(programme.track(DAMAGED, track)["row"].tolist())
            spoilt = set(DAMAGE.get(row["file"].split("_")[0].split("-")[0], {}))
            assert stored == count_rows(row["file"], lines[row["file"]])[0] - spoilt, row["file"]
