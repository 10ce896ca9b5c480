"""What lies in a sortie's folder, what an archive may do, and what a sortie is called."""

from __future__ import annotations

import io
import os
import re
import stat
import sys
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest import archive
from trimshot.ingest.folder import (
    find_sorties,
    left_beside,
    list_files,
    open_sortie,
    skipped_entries,
    sortie_id,
    sorties_in,
)
from trimshot.ingest.raw import HEAD_BYTES
from trimshot.shared.errors import InputError

LOG = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"


def write(path: Path, content: bytes = LOG) -> Path:
    """A file with its folders."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def zipped(members: dict[str, bytes]) -> bytes:
    """A zip archive of these files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in members.items():
            out.writestr(name, content)
    return buffer.getvalue()


# -- listing ------------------------------------------------------------------------------------


def test_files_of_all_folders_inside_sorted_with_their_heads(tmp_path: Path) -> None:
    write(tmp_path / "b.nmea")
    write(tmp_path / "a" / "deep" / "z.csv", b"x" * (HEAD_BYTES + 5))
    write(tmp_path / "a" / "y.csv", b"")
    files = list_files(tmp_path)
    assert [f.name for f in files] == ["a/deep/z.csv", "a/y.csv", "b.nmea"]
    assert [f.size for f in files] == [HEAD_BYTES + 5, 0, len(LOG)]
    assert len(files[0].head) == HEAD_BYTES
    assert files[2].content == LOG


def test_hidden_files_litter_and_our_own_outputs_are_left_out(tmp_path: Path) -> None:
    for name in (".hidden", ".git/config", "Thumbs.db", "__MACOSX/a.csv", "~$card.csv", "x.duckdb", "x.lock", "t.part"):
        write(tmp_path / name)
    write(tmp_path / "log.nmea")
    assert [f.name for f in list_files(tmp_path)] == ["log.nmea"]
    assert skipped_entries(tmp_path) == ()


def test_a_programme_in_the_same_folder_is_left_out(tmp_path: Path) -> None:
    for name in ("settings.toml", "sorties/S1/source/a.nmea", "reports/a.html"):
        write(tmp_path / name)
    names = [f.name for f in list_files(tmp_path)]
    assert len(names) == 3  # without a programme these are ordinary names
    write(tmp_path / "programme.duckdb")
    write(tmp_path / "new.nmea")
    assert [f.name for f in list_files(tmp_path)] == ["new.nmea"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX links and pipes")
def test_what_cannot_be_read_is_told_and_stops_nothing(tmp_path: Path) -> None:
    write(tmp_path / "good.nmea")
    write(tmp_path / "elsewhere" / "x.csv")
    (tmp_path / "broken.csv").symlink_to(tmp_path / "gone.csv")
    (tmp_path / "loop").symlink_to(tmp_path)
    (tmp_path / "linked.nmea").symlink_to(tmp_path / "good.nmea")
    os.mkfifo(tmp_path / "pipe.csv")
    write(tmp_path / "bad.zip", b"PK\x03\x04 not an archive")
    assert [f.name for f in list_files(tmp_path)] == ["bad.zip", "elsewhere/x.csv", "good.nmea", "linked.nmea"]
    told = {f.where: f.text for f in skipped_entries(tmp_path)}
    assert set(told) == {"bad.zip", "broken.csv", "loop", "pipe.csv"}
    assert {f.code for f in skipped_entries(tmp_path)} == {"FILE_SKIPPED"}
    assert "does not exist" in told["broken.csv"]
    assert "pipe" in told["pipe.csv"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX permissions")
def test_a_file_without_permission_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = write(tmp_path / "secret.csv")
    write(tmp_path / "good.nmea")
    opened = Path.open

    def guarded(path: Path, *arguments: str) -> object:  # the superuser may read everything: refuse by hand
        if path == secret:
            raise PermissionError(13, "Permission denied")
        return opened(path, *arguments)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", guarded)
    assert [f.name for f in list_files(tmp_path)] == ["good.nmea"]
    (finding,) = skipped_entries(tmp_path)
    assert (finding.where, "Permission denied" in finding.text) == ("secret.csv", True)


def test_no_folder_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        list_files(tmp_path / "nothing")
    with pytest.raises(InputError, match="no such file or folder"), open_sortie(tmp_path / "nothing"):
        pass
    for name in ("nothing", "x" * 300):
        with pytest.raises(InputError, match="no such file or folder"):
            sorties_in(tmp_path / name)


# -- opening ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("members", "names"),
    [
        (("trip/gps.nmea", "trip/deep/log.csv"), ["deep/log.csv", "gps.nmea"]),
        (("a/b/gps.nmea", "a/b/log.csv"), ["gps.nmea", "log.csv"]),
        (("a/gps.nmea", "b/gps.nmea"), ["a/gps.nmea", "b/gps.nmea"]),
        (("a/gps.nmea", "a.csv"), ["a.csv", "a/gps.nmea"]),
    ],
)
def test_a_packed_folder_has_the_names_of_the_folder(
    tmp_path: Path, members: tuple[str, ...], names: list[str]
) -> None:
    with open_sortie(write(tmp_path / "S.zip", zipped(dict.fromkeys(members, LOG)))) as (sortie, files):
        assert sortie == "S"
        assert [file.name for file in files] == names


def test_a_folder_an_archive_and_a_file_open_alike(tmp_path: Path) -> None:
    write(tmp_path / "S1" / "gps.nmea")
    write(tmp_path / "S2.zip", zipped({"gps.nmea": LOG}))
    write(tmp_path / "S3.nmea")
    for path, expected in ((tmp_path / "S1", "S1"), (tmp_path / "S2.zip", "S2"), (tmp_path / "S3.nmea", "S3")):
        with open_sortie(path) as (name, files):
            assert name == expected
            assert [f.content for f in files] == [LOG]
            assert files[0].head == LOG


def test_an_archive_in_a_folder_keeps_its_name_in_front(tmp_path: Path) -> None:
    inner = zipped({"deep/gps.nmea": LOG, ".hidden": b"x", "__MACOSX/gps.nmea": b"x"})
    write(tmp_path / "logs.zip", zipped({"more.zip": inner, "display.csv": b"a,b\n"}))
    with open_sortie(tmp_path) as (_, files):
        assert [f.name for f in files] == ["logs.zip/display.csv", "logs.zip/more.zip/deep/gps.nmea"]
        assert files[1].content == LOG
        scratch = files[0].path
    assert not scratch.exists()


def test_a_spreadsheet_is_no_archive(tmp_path: Path) -> None:
    write(tmp_path / "table.xlsx", zipped({"[Content_Types].xml": b"<x/>"}))
    with open_sortie(tmp_path) as (_, files):
        assert [f.name for f in files] == ["table.xlsx"]


def test_a_bad_archive_in_a_folder_stays_a_file(tmp_path: Path) -> None:
    write(tmp_path / "bad.zip", zipped({"../x": b"1"}))
    write(tmp_path / "good.nmea")
    with open_sortie(tmp_path) as (_, files):
        assert [f.name for f in files] == ["bad.zip", "good.nmea"]
    (finding,) = skipped_entries(tmp_path)
    assert "leads out" in finding.text


@pytest.mark.parametrize("name", ["../evil.csv", "/etc/evil.csv", "a/../../evil.csv", "..\\evil.csv", "C:\\evil.csv"])
def test_paths_that_lead_out_are_refused(name: str, tmp_path: Path) -> None:
    write(tmp_path / "s.zip", zipped({"good.nmea": LOG, name: b"x"}))
    with pytest.raises(InputError, match="leads out of it"), open_sortie(tmp_path / "s.zip"):
        pass
    assert [p.name for p in tmp_path.parent.rglob("evil*")] == []


def test_a_link_in_an_archive_is_refused(tmp_path: Path) -> None:
    info = zipfile.ZipInfo("link.csv")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "s.zip", "w") as out:
        out.writestr(info, "/etc/passwd")
    with pytest.raises(InputError, match="symbolic link"), open_sortie(tmp_path / "s.zip"):
        pass


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    write(tmp_path / "s.zip", zipped({"zeros.csv": bytes(archive.RATIO_FLOOR_BYTES + 1)}))
    with pytest.raises(InputError, match="than a log can shrink"), open_sortie(tmp_path / "s.zip"):
        pass


def test_limits_of_size_and_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "s.zip", zipped({f"{i}.nmea": LOG for i in range(4)}))
    monkeypatch.setattr(archive, "MOST_FILES", 3)
    with pytest.raises(InputError, match="too many files"):
        archive.check_archive(path)
    monkeypatch.setattr(archive, "MOST_FILES", 4)
    monkeypatch.setattr(archive, "MOST_BYTES", 3 * len(LOG))
    with pytest.raises(InputError, match="more than is allowed"):
        archive.check_archive(path)
    monkeypatch.setattr(archive, "MOST_BYTES", 4 * len(LOG))
    # the bytes are counted again while they come out: a table of contents can lie
    with pytest.raises(InputError, match="more than is allowed"):
        archive.unpack(path, tmp_path / "out", archive.Allowance(bytes_left=len(LOG)))


def test_a_damaged_archive_is_an_input_error_whatever_byte_is_hit(tmp_path: Path) -> None:
    whole = zipped({"a.nmea": LOG * 20, "b.csv": b"x,y\n1,2\n"})
    for position in range(0, len(whole), 3):
        damaged = whole[:position] + bytes([whole[position] ^ 0xFF]) + whole[position + 1 :]
        path = write(tmp_path / "s.zip", damaged)
        try:
            with open_sortie(path) as (_, files):
                assert files is not None
        except InputError:
            continue


def test_a_cut_archive_is_an_input_error(tmp_path: Path) -> None:
    whole = zipped({"a.nmea": LOG * 20})
    path = write(tmp_path / "s.zip", whole[: len(whole) // 2])
    with pytest.raises(InputError, match="cannot be read"), open_sortie(path):
        pass


# -- sorties ------------------------------------------------------------------------------------


def test_a_folder_with_logs_is_one_sortie_with_its_sub_folders(tmp_path: Path) -> None:
    write(tmp_path / "gps.nmea")
    write(tmp_path / "more" / "gps.nmea")
    assert sorties_in(tmp_path) == [tmp_path]


def test_folders_and_archives_with_logs_are_the_sorties(tmp_path: Path) -> None:
    write(tmp_path / "README.md", b"# about\n")
    write(tmp_path / "2031" / "S1" / "gps.nmea")
    write(tmp_path / "2031" / "S2.zip", zipped({"gps.nmea": LOG}))
    write(tmp_path / "empty" / "note.md", b"nothing\n")
    write(tmp_path / "S0" / "gps.nmea")
    assert sorties_in(tmp_path) == [tmp_path / "2031" / "S1", tmp_path / "2031" / "S2.zip", tmp_path / "S0"]


def test_a_file_is_a_sortie_and_nothing_is_an_error(tmp_path: Path) -> None:
    path = write(tmp_path / "gps.nmea")
    assert sorties_in(path) == [path]
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no logs here"):
        sorties_in(tmp_path / "empty")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("S250506-01", "S250506-01"),
        ("flight 7 (gear)", "flight-7--gear"),
        ("Füße", "F--e"),
        ("...", "sortie"),
        ("-rf", "rf"),
        (".hidden", "hidden"),
        ("2031.03.14", "2031.03.14"),
        ("x" * 300, "x" * 100),
    ],
)
def test_names(name: str, expected: str, tmp_path: Path) -> None:
    # the folder need not exist; one that does is not cut at a dot
    path = tmp_path / name
    if len(name) < 200 and name != "...":
        path.mkdir()
    assert sortie_id(path) == expected


def test_archive_and_file_endings_are_cut(tmp_path: Path) -> None:
    assert sortie_id(write(tmp_path / "S1.zip")) == "S1"
    assert sortie_id(write(tmp_path / "display_0020.csv")) == "display_0020"
    assert sortie_id(Path("/")) == "sortie"


@given(st.text(max_size=40))
@settings(deadline=None, max_examples=200)
def test_any_name_becomes_a_plain_one(name: str) -> None:
    cleaned = sortie_id(Path("/nowhere") / name.replace("\0", ""))
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]*", cleaned)
    assert not cleaned.endswith(".")


# -- archives beside logs -------------------------------------------------------------------------


def test_archives_beside_a_log_are_sorties_each_and_the_log_is_told(tmp_path: Path) -> None:
    write(tmp_path / "monday.zip", zipped({"gps.nmea": LOG, "second.nmea": LOG}))
    write(tmp_path / "tuesday.zip", zipped({"deep/er/gps.nmea": LOG, "deep/er/second.nmea": LOG}))
    write(tmp_path / "wednesday" / "gps.nmea")
    write(tmp_path / "stray.nmea")
    write(tmp_path / "README.md", b"# about\n")
    found = find_sorties(tmp_path)
    assert found.sorties == [tmp_path / "monday.zip", tmp_path / "tuesday.zip", tmp_path / "wednesday"]
    assert found.beside == [tmp_path / "stray.nmea"]
    assert "stray.nmea" in str(left_beside(found.beside[0]))


@pytest.mark.parametrize("other", [{"photo.txt": b"nothing\n"}, {"__MACOSX/gps.nmea": LOG}, None])
def test_one_archive_with_logs_beside_a_log_belongs_to_the_sortie(
    tmp_path: Path, other: dict[str, bytes] | None
) -> None:
    write(tmp_path / "display.zip", zipped({"gps.nmea": LOG}))
    write(tmp_path / "other.zip", zipped(other) if other else b"PK\x03\x04 broken")
    write(tmp_path / "stray.nmea")
    found = find_sorties(tmp_path)
    assert (found.sorties, found.beside) == ([tmp_path], [])


def test_recorders_packed_one_by_one_beside_a_log_are_one_sortie(tmp_path: Path) -> None:
    for recorder in ("display", "engine", "receiver"):
        write(tmp_path / f"{recorder}.zip", zipped({f"{recorder}.nmea": LOG}))
    write(tmp_path / "stray.nmea")
    found = find_sorties(tmp_path)
    assert (found.sorties, found.beside) == ([tmp_path], [])


def test_a_packed_sortie_is_unpacked_without_the_others(tmp_path: Path) -> None:
    days = {f"2031-04-{day:02d}/gps.nmea": LOG for day in range(1, 9)}
    path = write(tmp_path / "logs.zip", zipped(days))
    with open_sortie(path / "2031-04-03") as (name, files):
        assert (name, [file.name for file in files]) == ("2031-04-03", ["gps.nmea"])
        unpacked = files[0].path.parents[1]
        assert [file for file in unpacked.rglob("*") if file.is_file()] == [files[0].path]
    assert not unpacked.exists()


def test_a_folder_of_an_archive_inside_an_archive_is_opened(tmp_path: Path) -> None:
    path = write(tmp_path / "logs.zip", zipped({"inner.zip": zipped({"a/gps.nmea": LOG, "b/gps.nmea": LOG})}))
    with open_sortie(path / "inner.zip" / "a") as (_, files):
        assert [file.name for file in files] == ["gps.nmea"]


@pytest.mark.parametrize("way", ["../secret", "..", "a/../../secret", "/etc"])
def test_a_path_through_an_archive_leads_nowhere_outside(tmp_path: Path, way: str) -> None:
    write(tmp_path / "secret" / "gps.nmea")
    path = write(tmp_path / "logs.zip", zipped({"a/gps.nmea": LOG, "b/gps.nmea": LOG}))
    with pytest.raises(InputError), open_sortie(Path(f"{path}/{way}")):
        pass
