"""A folder in memory, stroke by stroke: as its readers see it, and as a power cut would leave it.

What a power cut leaves is told by the strictest rule of a file system that writes its journal in order: names are as
they stand or as they stood at the last order to the disk, and of a file's bytes only those are there that were
ordered to the disk, or these and any pages of the others. A file cut short is short at once.
"""

from __future__ import annotations

import copy
import dataclasses
import hashlib
import random
from dataclasses import dataclass
from pathlib import Path

from .strokes import END, Stroke

PAGE = 4096


@dataclass(slots=True)
class Node:
    """A file's bytes as read and as on the disk, or a folder (None)."""

    content: bytes | None
    durable: bytes = b""
    mode: int = 0o644


State = dict[str, tuple[bytes | None, int]]  # path below the folder -> its bytes (None: a folder), its mode


class Disk:
    """The folder after some strokes."""

    def __init__(self, folder: Path) -> None:
        self.nodes: dict[str, Node] = {}
        for path in sorted(folder.rglob("*")):
            content = None if path.is_dir() else path.read_bytes()
            self.nodes[str(path.relative_to(folder))] = Node(content, content or b"", path.stat().st_mode & 0o777)

    def copy(self) -> Disk:
        """Another one that changes by itself."""
        other = copy.copy(self)
        other.nodes = {path: dataclasses.replace(node) for path, node in self.nodes.items()}
        return other

    def seen(self) -> State:
        """What its readers see, and what is there when the process alone was killed."""
        return {path: (node.content, node.mode) for path, node in self.nodes.items()}

    def after_power_cut(self) -> State:
        """What is there when everything was lost that was not ordered to the disk, names aside."""
        return {path: (None if node.content is None else node.durable, node.mode) for path, node in self.nodes.items()}

    def with_pages_lost(self, chance: random.Random) -> State:
        """The same when of what was not ordered to the disk each page is there or not, as chance has it."""
        return {
            path: (None if node.content is None else _mixed(node.content, node.durable, chance), node.mode)
            for path, node in self.nodes.items()
        }

    def apply(self, stroke: Stroke) -> None:
        """Make the change."""
        if stroke.kind in ("create", "mkdir"):
            if stroke.path not in self.nodes:
                self.nodes[stroke.path] = Node(None, mode=0o755) if stroke.kind == "mkdir" else Node(b"")
        elif stroke.kind == "rename":
            self._rename(stroke.path, stroke.to)
        elif stroke.kind in ("unlink", "rmdir"):
            del self.nodes[stroke.path]
        elif stroke.kind == "chmod":
            self.nodes[stroke.path].mode = stroke.at
        else:
            _change(self.nodes[stroke.path], stroke)

    def _rename(self, former: str, later: str) -> None:
        for path in [path for path in self.nodes if path == former or path.startswith(former + "/")]:
            self.nodes[later + path[len(former) :]] = self.nodes.pop(path)


def _change(node: Node, stroke: Stroke) -> None:
    if node.content is None:  # the order to bring a folder's names to the disk
        return
    if stroke.kind == "sync":
        node.durable = node.content
    elif stroke.kind == "cut":
        node.content = node.content[: stroke.at].ljust(stroke.at, b"\0")
        node.durable = node.durable[: stroke.at]
    elif stroke.kind == "write":
        at = len(node.content) if stroke.at == END else stroke.at
        node.content = node.content[:at].ljust(at, b"\0") + stroke.data + node.content[at + len(stroke.data) :]
    else:
        raise ValueError(f"an unknown stroke: {stroke}")


def _mixed(content: bytes, durable: bytes, chance: random.Random) -> bytes:
    if content == durable:
        return durable
    pages = []
    for first in range(0, len(content), PAGE):
        page = content[first : first + PAGE]
        former = durable[first : first + PAGE]
        pages.append(page if chance.random() < 0.5 else former + bytes(len(page) - len(former)))
    return b"".join(pages)


def torn(stroke: Stroke) -> Stroke | None:
    """The part of a write that is done when it is ended in its middle, at the border of a page; None: it has none."""
    first = max(stroke.at, 0)  # where the end of a file lies in its page does not matter
    middle = (first + len(stroke.data) // 2 + PAGE - 1) // PAGE * PAGE
    if stroke.kind != "write" or not first < middle < first + len(stroke.data):
        return None
    return Stroke("write", stroke.path, at=stroke.at, data=stroke.data[: middle - first])


def digest(state: State) -> str:
    """A hash of everything in it."""
    whole = hashlib.sha256()
    for path, (content, mode) in sorted(state.items()):
        size = -1 if content is None else len(content)
        whole.update(f"{path}\0{size}\0{mode}\0".encode() + (content or b""))
    return whole.hexdigest()


def lay_out(state: State, folder: Path) -> Path:
    """Make the folder on the real disk, and give it."""
    folder.mkdir()
    for path, (content, mode) in sorted(state.items()):
        if content is None:
            (folder / path).mkdir()
            continue
        (folder / path).write_bytes(content)
        (folder / path).chmod(mode)
    return folder
