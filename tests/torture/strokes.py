"""Every change a process makes to a folder, in order, as the system saw it: told by strace.

A stroke is one change of a file or a name, or the order to bring a file to the disk. Strokes hold the bytes written, so
that the folder can be made as it was at any moment of the work, whoever wrote: Python, the database, the writer of Parquet.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

CALLS = (
    "open,openat,creat,write,writev,pwrite64,pwritev,ftruncate,truncate,fsync,fdatasync,lseek,rename,renameat,renameat2,"
    "unlink,unlinkat,mkdir,mkdirat,rmdir,chmod,fchmod,fchmodat"
)
END = -1  # a write goes to the end of its file
_LINE = re.compile(r"(\d+) +(\w+)\((.*)\) += (-?\d+)(?:<(.*)>(?:\(deleted\))?)?(?: \(.*\))?$", re.DOTALL)
_UNFINISHED = re.compile(r"(\d+) +(\w+)\((.*) <unfinished \.\.\.>$")
_RESUMED = re.compile(r"(\d+) +<\.\.\. (\w+) resumed>(.*)$")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_NAME = re.compile(r"<((?:\\x[0-9a-f]{2})+)>")
_HANDLE = re.compile(r"(\d+|AT_FDCWD)<([^>]*)>(\(deleted\))?")


@dataclass(frozen=True, slots=True)
class Stroke:
    """kind: create, write (`at` END: to the end), cut (to length `at`), sync, rename, unlink, rmdir, mkdir, chmod (mode in
    `at`); paths below the folder."""

    kind: str
    path: str
    to: str = ""
    at: int = 0
    data: bytes = b""

    def __str__(self) -> str:
        size = f" {len(self.data)} bytes at {self.at}" if self.kind == "write" else f" {self.at}" if self.at else ""
        return f"{self.kind} {self.path}{f' -> {self.to}' if self.to else ''}{size}"


def why_not() -> str | None:
    """Why strokes cannot be recorded here, in one line; None when they can."""
    if shutil.which("strace") is None:
        return "needs strace, which is not installed"
    tried = subprocess.run(["strace", "-f", "-y", "-e", "trace=openat", "true"], capture_output=True, text=True)
    return f"strace may not be used here: {tried.stderr.splitlines()[-1]}" if tried.returncode else None


def record(command: Sequence[str], folder: Path, log: Path) -> list[Stroke]:
    """The strokes of a command in a folder. Raises CalledProcessError when the command fails."""
    options = ["-f", "--seccomp-bpf", "-y", "-xx", "-s", str(1 << 26), "-e", f"trace={CALLS}", "-e", "signal=none"]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    subprocess.run(["strace", *options, "-o", str(log), *command], check=True, env=environment)
    with log.open(encoding="latin-1") as lines:
        return list(_Reader(folder).read(lines))


def _whole_lines(lines: Iterator[str]) -> Iterator[str]:
    """Calls of several threads lie across one another: each as one line, where it came to its end."""
    begun: dict[str, str] = {}
    for line in lines:
        text = line.rstrip("\n")
        if (part := _UNFINISHED.match(text)) is not None:
            begun[part[1]] = f"{part[1]} {part[2]}({part[3]}"
        elif (part := _RESUMED.match(text)) is not None:
            yield begun.pop(part[1], "") + part[3]
        else:
            yield text


class _Reader:
    """From lines of strace to strokes below one folder; knows how far each open file was written."""

    def __init__(self, folder: Path) -> None:
        self.root = str(folder) + "/"
        self.reached: dict[str, int] = {}

    def read(self, lines: Iterator[str]) -> Iterator[Stroke]:
        for text in _whole_lines(lines):
            part = _LINE.match(_NAME.sub(lambda name: f"<{_bytes(name[1]).decode()}>", text))
            if part is not None and int(part[4]) >= 0:
                yield from self._strokes(part[2], part[3], int(part[4]), part[5] or "")

    def _strokes(self, call: str, arguments: str, gave: int, gave_path: str) -> Iterator[Stroke]:
        if call in ("open", "openat", "creat"):
            yield from self._opened(call, arguments, gave, self._inside(gave_path))
        elif call in ("write", "writev", "pwrite64", "pwritev", "lseek", "ftruncate", "fsync", "fdatasync", "fchmod"):
            yield from self._on_file(call, arguments, gave)
        else:
            yield from self._on_names(call, arguments)

    def _inside(self, path: str) -> str:
        """The path below the folder, "" for any other."""
        return path.removeprefix(self.root) if path.startswith(self.root) else ""

    def _opened(self, call: str, arguments: str, handle: int, path: str) -> Iterator[Stroke]:
        self.reached[str(handle)] = END if "O_APPEND" in arguments else 0
        if not path:
            return
        if "O_CREAT" in arguments or call == "creat":
            yield Stroke("create", path)
        if "O_TRUNC" in arguments or call == "creat":
            yield Stroke("cut", path)

    def _on_file(self, call: str, arguments: str, gave: int) -> Iterator[Stroke]:
        handle = _HANDLE.match(arguments)
        path = self._inside(handle[2]) if handle is not None and not handle[3] else ""
        if handle is None or not path:
            return
        if call == "lseek":
            if self.reached.get(handle[1]) != END:
                self.reached[handle[1]] = gave
        elif call in ("fsync", "fdatasync"):
            yield Stroke("sync", path)
        elif call in ("ftruncate", "fchmod"):
            last = arguments.rsplit(", ", 1)[1]
            yield (
                Stroke("cut", path, at=int(last))
                if call == "ftruncate"
                else Stroke("chmod", path, at=int(last, 8) & 0o777)
            )
        else:
            data = b"".join(map(_bytes, _TEXT.findall(arguments)))[:gave]
            at = int(arguments.rsplit(", ", 1)[1]) if call.startswith("p") else self.reached[handle[1]]
            if not call.startswith("p") and at != END:
                self.reached[handle[1]] += gave
            yield Stroke("write", path, at=at, data=data)

    def _on_names(self, call: str, arguments: str) -> Iterator[Stroke]:
        paths = [self._inside(path) for path in _paths(arguments)]
        if not paths or not any(paths):
            return
        if call.startswith("rename"):
            if not all(paths):
                raise ValueError(f"a rename out of the folder or into it: {paths}")
            yield Stroke("rename", paths[0], to=paths[1])
        elif call == "truncate":
            yield Stroke("cut", paths[0], at=int(arguments.rsplit(", ", 1)[1]))
        elif call in ("chmod", "fchmodat"):
            yield Stroke("chmod", paths[0], at=int(re.findall(r", (0[0-7]+)", arguments)[0], 8) & 0o777)
        else:
            kind = "rmdir" if "AT_REMOVEDIR" in arguments else call.removesuffix("at")
            yield Stroke(kind, paths[0])


def _paths(arguments: str) -> list[str]:
    """The full paths of a call's arguments: each text, below the handle named before it."""
    paths, below = [], ""
    for part in re.finditer(f"{_HANDLE.pattern}|{_TEXT.pattern}", arguments):
        if part[2] is not None:
            below = part[2]
        else:
            paths.append(os.path.normpath(Path(below) / _bytes(part[4] or "").decode()))
            below = ""
    return paths


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))
