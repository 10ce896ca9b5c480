"""The adapter for measurement data files (MDF), an optional extra."""

from __future__ import annotations

import gc
import importlib
import sys
import traceback
import warnings
from pathlib import Path
from typing import Any

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..probing import kills_its_reader, words_of
from ..raw import Claim, LogFile, RawFile
from ..tables import raw_file, read_tables
from ..text.notes import Notes
from .groups import read_groups
from .probe import LIBRARY_ERRORS

LIBRARY = "asammdf"  # a licence of its own (LGPL) and many dependencies: an extra, imported when a file asks for it
_PROBE = Path(__file__).with_name("probe.py")
_MARKS = {b"MDF     ": "a measurement data file", b"UnFinMF ": "a measurement data file that was not finished"}


class MeasurementData:
    """Every channel group is a table with its master as time, counted from the start the header states."""

    name = "MDF"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes by the first eight bytes."""
        found = _MARKS.get(file.head[:8])
        return Claim(True, found) if found else Claim(False, "no MDF identification at the start")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """All channel groups. Raises ParseError for a broken file, and when the extra is not installed."""
        if file.size == 0:
            raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
        library, own_error = load_library(file.name)
        if kills_its_reader(_PROBE, file.path):
            raise ParseError(
                "the measurement data file is damaged so that reading it crashes the library",
                where=file.name,
                do="copy it from the recorder again",
            )
        errors = (*LIBRARY_ERRORS, own_error)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what the library finds odd stands in the account
                with library.MDF(file.path) as opened:
                    tables, left, facts = read_groups(opened, errors)
        except errors as error:
            _let_go(error)
            raise ParseError(
                "the measurement data file is damaged or cut short",
                where=file.name,
                found=words_of(error),
                do="copy it from the recorder again",
            ) from None
        if not tables:
            raise ParseError("no channel group with samples", where=file.name, found=", ".join(left[:12]) or "nothing")
        notes = Notes(file.name)
        if left:
            text = f"{len(left)} channels hold neither numbers nor text and were left out: {', '.join(left[:12])}"
            notes.find("CHANNEL_UNNAMED", text, count=len(left), headers=left[:200])
        tracks = read_tables(file, tables, mark="mdf", profile=profile, notes=notes)
        metadata = {"start": facts.start.isoformat()} if facts.start else {}
        return raw_file(file, self.name, self.version, tracks, notes, metadata)


def load_library(where: str) -> tuple[Any, type[Exception]]:
    """The library that reads these files, and its own kind of error. Raises ParseError, saying how to get it, when it is not installed."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its dependencies' deprecations are nothing a pilot can mend
            error: type[Exception] = importlib.import_module(f"{LIBRARY}.blocks.utils").MdfException
            return importlib.import_module(LIBRARY), error
    except ImportError:
        raise ParseError(
            f"measurement data files are read through {LIBRARY}, which is not installed",
            where=where,
            do='install the extra: pip install "trimshot[mdf4]"',
        ) from None


def _let_go(error: Exception) -> None:
    """Drop the half-opened file now: its closing fails too, which Python would print beside our own message."""
    hook = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = hook
