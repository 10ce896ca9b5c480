"""Archives and folders as people pack them: every right answer was written down before a reader was asked."""

from __future__ import annotations

import gzip
import io
import stat
import struct
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.right_answers import Refused, Right, Samples, differences
from trimshot.ingest.folder import open_sortie, sorties_in
from trimshot.store.programme import create_programme

N = 20
LOG = ("UTC,IAS (kt),RPM\n" + "".join(f"2031-04-01T10:00:{k:02d}Z,{80.5 + k},{2400 + k}\n" for k in range(N))).encode()
ENGINE = ("UTC,CHT1 (°C)\n" + "".join(f"2031-04-01T10:00:{k:02d}Z,{90.5 + k}\n" for k in range(N))).encode()
COLUMNS = {"IAS (kt)": Samples(80.5, 99.5, unit="kt")}
WHOLE = Right(N, "utc", "2031-04-01T10:00:00Z", "2031-04-01T10:00:19Z", COLUMNS)
BOTH = Right(
    2 * N, "utc", "2031-04-01T10:00:00Z", "2031-04-01T10:00:19Z", COLUMNS | {"CHT1 (°C)": Samples(90.5, 109.5)}
)
Case = tuple[Callable[[Path], Path], Right | Refused]


def packed(*members: tuple[str | zipfile.ZipInfo, bytes], name: str = "sortie.zip") -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
            for member, content in members:
                archive.writestr(member, content)
        return folder / name

    return make


def zipped(*members: tuple[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for member, content in members:
            archive.writestr(member, content)
    return stream.getvalue()


def link(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


def written(name: str, content: bytes) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        (folder / name).write_bytes(content)
        return folder / name

    return make


def in_folder(*files: tuple[str, bytes]) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        for name, content in files:
            path = folder / "sortie" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        return folder / "sortie"

    return make


def tarred(mode: str, *members: tuple[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode=mode) as archive:  # type: ignore[call-overload]
        for name, content in members:
            info = tarfile.TarInfo(name)
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))
    return stream.getvalue()


def locked(folder: Path) -> Path:
    """The mark of a password set in both headers of the one member."""
    content = bytearray(zipped(("log.csv", LOG)))
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = content.index(mark) + at
        content[place : place + 2] = struct.pack("<H", 1)
    (folder / "sortie.zip").write_bytes(content)
    return folder / "sortie.zip"


def zip64(folder: Path) -> Path:
    with (
        zipfile.ZipFile(folder / "sortie.zip", "w") as archive,
        archive.open("log.csv", "w", force_zip64=True) as member,
    ):
        member.write(LOG)
    return folder / "sortie.zip"


def in_cp437(folder: Path) -> Path:
    """A name with an umlaut in the old code page, as older packers write it."""
    content = zipped(("fl?ge/l?g.csv", LOG)).replace(b"fl?ge/l?g.csv", b"fl\x81ge/l\x94g.csv")
    (folder / "sortie.zip").write_bytes(content)
    return folder / "sortie.zip"


def named_twice(folder: Path) -> Path:
    content = zipped(("log.csv", LOG), ("lo2.csv", ENGINE)).replace(b"lo2.csv", b"log.csv")
    (folder / "sortie.zip").write_bytes(content)
    return folder / "sortie.zip"


LITTER = (
    ("__MACOSX/._log.csv", b"\0\5\x16\x07"),
    (".DS_Store", b"\0\0\0\1Bud1"),
    ("Thumbs.db", b"x"),
    ("._log.csv", b"\0\5"),
)
CASES: dict[str, Case] = {
    "a folder packed": (packed(("glides/log.csv", LOG), ("glides/engine.csv", ENGINE)), BOTH),
    "litter of operating systems": (packed(("log.csv", LOG), *LITTER), WHOLE),
    "an archive in an archive": (packed(("inner.zip", zipped(("log.csv", LOG)))), WHOLE),
    "an archive in a folder": (in_folder(("logs.zip", zipped(("log.csv", LOG))), ("engine.csv", ENGINE)), BOTH),
    "several sorties in one archive": (
        packed(("2031-04-01/log.csv", LOG), ("2031-04-02/log.csv", LOG.replace(b"04-01T", b"04-02T"))),
        Refused(["several sorties", "2031-04-01", "2031-04-02"]),
    ),
    "folders of one sortie by recorder": (packed(("display/log.csv", LOG), ("engine/log.csv", ENGINE)), BOTH),
    "a password": (locked, Refused(["password"])),
    "more than four gigabytes announced": (zip64, WHOLE),
    "names in an old code page": (in_cp437, WHOLE),
    "a path that leads out": (packed(("../log.csv", LOG)), Refused(["leads out"])),
    "a path from the root": (packed(("/etc/log.csv", LOG)), Refused(["leads out"])),
    "a drive's path": (packed(("C:\\logs\\log.csv", LOG)), Refused(["leads out"])),
    "backslashes in names": (packed(("glides\\log.csv", LOG)), WHOLE),
    "a link": (packed((link("log.csv"), b"/etc/passwd")), Refused(["symbolic link"])),
    "one name twice": (named_twice, BOTH),
    "an empty archive": (packed(), Refused(["no file"])),
    "a compressed single log": (written("log.csv.gz", gzip.compress(LOG)), WHOLE),
    "a compressed single log in a folder": (
        in_folder(("log.csv.gz", gzip.compress(LOG)), ("engine.csv", ENGINE)),
        BOTH,
    ),
    "a compressed log in an archive": (packed(("log.csv.gz", gzip.compress(LOG))), WHOLE),
    "a damaged compressed log": (written("log.csv.gz", gzip.compress(LOG)[:-20]), Refused(["gz", "cut short"])),
    "a compressed bomb": (written("log.csv.gz", gzip.compress(bytes(300 << 20), 9)), Refused(["far more than a log"])),
    "a tar archive": (written("sortie.tar", tarred("w", ("log.csv", LOG))), Refused(["tar", "unpack it"])),
    "a compressed tar archive": (
        written("sortie.tar.gz", tarred("w:gz", ("log.csv", LOG))),
        Refused(["tar", "unpack it"]),
    ),
    "a tgz archive": (written("sortie.tgz", tarred("w:gz", ("log.csv", LOG))), Refused(["gzip", "unpack it"])),
    "a 7z archive": (written("sortie.7z", b"7z\xbc\xaf\x27\x1c\0\4" + bytes(40)), Refused(["7z", "unpack it"])),
    "a rar archive": (written("sortie.rar", b"Rar!\x1a\x07\x01\x00" + bytes(40)), Refused(["rar", "unpack it"])),
    "bzip2": (written("log.csv.bz2", b"BZh91AY&SY" + bytes(40)), Refused(["bzip2", "unpack it"])),
    "xz": (written("log.csv.xz", b"\xfd7zXZ\0" + bytes(40)), Refused(["xz", "unpack it"])),
    "zstd": (written("log.csv.zst", b"\x28\xb5\x2f\xfd" + bytes(40)), Refused(["zstd", "unpack it"])),
    "an archive without its ending": (written("sortie", zipped(("log.csv", LOG))), Refused(["zip"])),
}


@pytest.mark.parametrize("name", CASES)
def test_archive(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []


def test_a_compressed_log_is_one_sortie(tmp_path: Path) -> None:
    path = in_folder(("log.csv.gz", gzip.compress(LOG)))(tmp_path)
    assert sorties_in(path) == [path]


TWO = (("2031-04-01/log.csv", LOG), ("2031-04-02/log.csv", LOG.replace(b"04-01T", b"04-02T")))


def test_an_archive_of_several_sorties_is_several_sorties(tmp_path: Path) -> None:
    path = packed(*((f"may/{name}", content) for name, content in TWO))(tmp_path)
    assert sorties_in(path) == sorties_in(tmp_path) == [path / "may/2031-04-01", path / "may/2031-04-02"]
    second = Right(N, "utc", "2031-04-02T10:00:00Z", "2031-04-02T10:00:19Z", COLUMNS)
    assert differences(path / "may/2031-04-02", second) == []
    with open_sortie(path / "may/2031-04-02") as (name, files):
        assert (name, [file.name for file in files]) == ("2031-04-02", ["log.csv"])
    assert differences(path / "may/2031-04-09", Refused(["no such folder"])) == []


def test_the_same_logs_in_each_folder_are_a_sortie_each(tmp_path: Path) -> None:
    first, second = (("log.csv", LOG), ("engine.csv", ENGINE)), (("log.csv", LOG[:-40]), ("engine.csv", ENGINE[:-40]))
    members = [
        (f"{folder}/{name}", content) for folder, logs in (("a", first), ("b", second)) for name, content in logs
    ]
    path = packed(*members)(tmp_path)
    assert sorties_in(path) == [path / "a", path / "b"]


def test_folders_of_recorders_are_one_sortie(tmp_path: Path) -> None:
    path = packed(("left/log.csv", LOG), ("right/log.csv", LOG[:-40]))(tmp_path)
    assert sorties_in(path) == [path]


def test_sorties_packed_together_are_added_each(tmp_path: Path) -> None:
    programme = create_programme(tmp_path / "programme")
    path = packed(*TWO)(tmp_path)
    assert programme.add([path]).count("added") == 2
    assert sorted(programme.sorties()["sortie"]) == ["2031-04-01", "2031-04-02"]
    assert programme.add([path]).count("unchanged") == 2
