"""Every format trimshot reads, in one list; a file is read by the one adapter that claims it."""

from __future__ import annotations

from ..shared.errors import AmbiguousFormatError, UnknownFormatError
from .card.adapter import TestCardFile
from .columnar.adapter import Columnar
from .fixedwidth.adapter import FixedWidth
from .gpx.adapter import Gpx
from .hdf5.adapter import Hdf5
from .igc.adapter import Igc
from .irig106.adapter import Irig106Chapter10
from .jsonlines.adapter import JsonLines
from .matlab.adapter import Matlab5
from .mdf.adapter import MeasurementData
from .nmea.adapter import Nmea0183
from .other_files import is_tar, what_archive, what_else
from .raw import Adapter, Claim, LogFile
from .spreadsheet.adapter import Spreadsheet
from .text.adapter import DelimitedText

ADAPTERS: tuple[Adapter, ...] = (
    Nmea0183(),
    Igc(),
    Gpx(),
    TestCardFile(),
    DelimitedText(),
    Irig106Chapter10(),
    Columnar(),
    Hdf5(),
    Matlab5(),
    Spreadsheet(),
    JsonLines(),
    FixedWidth(),
    MeasurementData(),
)


def claims_of(file: LogFile) -> list[tuple[Adapter, Claim]]:
    """Every adapter with its answer about the file."""
    return [(adapter, adapter.claims(file)) for adapter in ADAPTERS]


def is_log(file: LogFile) -> bool:
    """True when at least one adapter claims the file, and it is no tar archive, whose logs look like text."""
    return not is_tar(file) and any(claim.yes for _, claim in claims_of(file))


def choose(file: LogFile) -> Adapter:
    """The one adapter that claims the file.

    Raises UnknownFormatError when none does (code EMPTY_FILE for a file of blanks, NOT_A_LOG for pictures and the like), and
    AmbiguousFormatError when several do; both list every adapter with its reason.
    """
    answers = claims_of(file)
    takers = [] if is_tar(file) else [adapter for adapter, claim in answers if claim.yes]
    if len(takers) == 1:
        return takers[0]
    reasons = "; ".join(f"{adapter.name}: {'yes' if c.yes else 'no'}, {c.reason}" for adapter, c in answers)
    facts = {adapter.name: claim.reason for adapter, claim in answers}
    if takers:
        raise AmbiguousFormatError(
            f"{len(takers)} adapters claim the file",
            where=file.name,
            found=reasons,
            do="rename the file with its usual ending",
            reasons=facts,
        )
    if _is_blank(file):
        raise UnknownFormatError("the file is empty", where=file.name, code="EMPTY_FILE", reasons=facts)
    other = what_else(file)
    if other is not None:
        raise UnknownFormatError(f"{other}, no log", where=file.name, code="NOT_A_LOG", reasons=facts)
    archive = what_archive(file)
    if archive is not None:
        what = f"{archive}, which is not opened"
        do = "unpack it and give the folder, or pack it as .zip"
        raise UnknownFormatError(what, where=file.name, do=do, reasons=facts)
    raise UnknownFormatError(
        "no adapter recognises the file",
        where=file.name,
        found=reasons,
        do="export it as delimited text, NMEA 0183, IGC or GPX",
        reasons=facts,
    )


def _is_blank(file: LogFile) -> bool:
    return file.size <= len(file.head) and not file.head.strip(b" \t\r\n\0\xef\xbb\xbf")
