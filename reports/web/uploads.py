"""Files dropped on a page, on their way into the programme: a private folder for each drop, names made harmless.

A drop that is cancelled, or not ended within the time limit, leaves nothing. What waits for an answer is kept
until it is answered, because the answer reads it again.
"""

from __future__ import annotations

import re
import secrets
import shutil
import tempfile
import threading
import time
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from ...shared.errors import InputError

MOST_FILES = 5000
MOST_BYTES = 8 * 1024**3  # one drop; a long sortie's recordings are below a tenth of it
LONGEST_PART = 120
DEEPEST = 12
IDLE_S = 1800.0
_FORBIDDEN = re.compile(r'[\\:*?"<>|\x00-\x1f\x7f]')


@dataclass(slots=True)
class Drop:
    """Files of one drop so far."""

    id: str
    folder: Path
    files: dict[str, int] = field(default_factory=dict)
    touched: float = field(default_factory=time.monotonic)
    is_kept: bool = False

    @property
    def bytes(self) -> int:
        """Bytes received."""
        return sum(self.files.values())


class Uploads:
    """The drops under way on this server."""

    def __init__(self) -> None:
        self._drops: dict[str, Drop] = {}
        self._lock = threading.Lock()

    def begin(self) -> Drop:
        """A new drop with an empty folder; drops left lying are cleared."""
        self._clear_idle()
        drop = Drop(secrets.token_hex(8), Path(tempfile.mkdtemp(prefix="trimshot-drop-")))
        with self._lock:
            self._drops[drop.id] = drop
        return drop

    def find(self, identity: str) -> Drop:
        """The drop of that id. Raises InputError when it was ended or cancelled."""
        drop = self._drops.get(identity)
        if drop is None:
            raise InputError("this drop was ended or cancelled", do="drop the files again")
        drop.touched = time.monotonic()
        return drop

    def place_for(self, drop: Drop, name: str) -> tuple[str, Path]:
        """The harmless name and the place of a file of the drop. Raises InputError for a name already there, or too many."""
        cleaned = clean_name(name)
        with self._lock:
            if cleaned.casefold() in {one.casefold() for one in drop.files}:
                raise InputError("two files of one name in one drop", found=cleaned)
            if len(drop.files) >= MOST_FILES:
                raise InputError("too many files in one drop", allowed=str(MOST_FILES))
            drop.files[cleaned] = 0
        place = drop.folder.joinpath(*cleaned.split("/"))
        if not place.resolve().is_relative_to(drop.folder.resolve()):
            raise InputError("a file's name leads out of its folder", found=cleaned)
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
        except (FileExistsError, NotADirectoryError):
            drop.files.pop(cleaned, None)
            raise InputError("a file and a folder of one name in one drop", found=cleaned) from None
        return cleaned, place

    def end(self, drop: Drop) -> None:
        """Forget the drop and remove its files, unless they are kept for an answer."""
        with self._lock:
            self._drops.pop(drop.id, None)
        if not drop.is_kept:
            shutil.rmtree(drop.folder, ignore_errors=True)

    def close(self) -> None:
        """Remove all that is under way."""
        for drop in list(self._drops.values()):
            self.end(drop)

    def _clear_idle(self) -> None:
        for drop in list(self._drops.values()):
            if time.monotonic() - drop.touched > IDLE_S:
                self.end(drop)


def clean_name(name: str) -> str:
    """A path of harmless parts joined by '/': no way up, no control characters, nothing hidden by a trick of letters.

    Raises InputError when nothing is left of it.
    """
    text = unicodedata.normalize("NFC", name.replace("\\", "/"))
    parts = [_clean_part(part) for part in text.split("/")]
    parts = [part for part in parts if part]
    if not parts or len(parts) > DEEPEST:
        raise InputError("a file's name cannot be used", found=repr(name[:80]))
    return "/".join(parts)


def _clean_part(part: str) -> str:
    shown = "".join(c for c in part if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp"))
    cleaned = _FORBIDDEN.sub("-", shown).strip().strip(".")
    if len(cleaned) <= LONGEST_PART:
        return cleaned
    stem, dot, suffix = cleaned.rpartition(".")
    return f"{stem[: LONGEST_PART - 12]}.{suffix[:10]}" if dot else cleaned[:LONGEST_PART]
