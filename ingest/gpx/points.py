"""Track points of a GPX file, read with a parser that refuses entity tricks.

The file is fed piece by piece; what was complete before the file broke off is kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from xml.etree.ElementTree import ParseError as XmlError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from ...shared.errors import ParseError

_BLOCK = 1 << 20
_MOST_EXTENSIONS = 50
_ENDS_EARLY = (3, 5, 6)  # expat: no element found, unclosed token, partial character
# children of a point that the schema of versions 1.0 and 1.1 knows and a recording can use
SCHEMA_FIELDS = frozenset({"ele", "time", "speed", "course", "sat", "hdop", "magvar", "geoidheight", "fix"})


@dataclass(slots=True)
class Point:
    """One complete track point: its line, its attributes and the text of its children.

    fields: local name -> text; for a child of an extension 'ext:' and its local name.
    """

    line: int
    latitude: str
    longitude: str
    fields: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Points:
    """A file's points, and what else was found. `broken`: (line, whether the file just ends)."""

    points: list[Point] = field(default_factory=list)
    started: int = 0
    others: int = 0
    version: str = ""
    creator: str = ""
    speed_unit_known: bool = False
    broken: tuple[int, bool] | None = None
    open_line: int | None = None


def read_points(content: bytes, where: str) -> Points:
    """All complete track points. Raises ParseError for entity declarations and for what is no GPX."""
    target = _Target()
    parser = DefusedXMLParser(target=target, forbid_dtd=False, forbid_entities=True, forbid_external=True)
    target.expat = parser.parser
    found, text = target.found, content.lstrip(b" \t\r\n\0")
    skipped = content[: len(content) - len(text)].count(b"\n")
    target.first_line = skipped
    try:
        for begin in range(0, len(text), _BLOCK):
            parser.feed(text[begin : begin + _BLOCK])
        parser.close()
    except DefusedXmlException as error:
        raise ParseError(
            "the file declares entities, which can hide anything", where=where, found=str(error), do="export it again"
        ) from None
    except XmlError as error:
        line = error.position[0] + skipped
        found.broken = (line, error.code in _ENDS_EARLY)
    except (LookupError, ValueError) as error:
        raise ParseError("the declared encoding cannot be read", where=where, found=str(error)) from None
    if not target.is_gpx:
        raise ParseError("no gpx element", where=where, do="export the track as GPX")
    return found


class _Target:
    """Receives the parser's events and keeps points; holds no tree."""

    def __init__(self) -> None:
        self.found = Points()
        self.is_gpx = False
        self.expat: Any = None
        self.first_line = 0
        self._point: Point | None = None
        self._path: list[str] = []
        self._text: list[str] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, name = tag.rpartition("}")
        self._text = []
        if name == "gpx" and not self._path:
            self.is_gpx = True
            self.found.version = attributes.get("version", "")
            self.found.creator = attributes.get("creator", "")
        elif name == "trkpt" and self._point is None:
            self._open(attributes)
        elif name in ("rtept", "wpt"):
            self.found.others += 1
        elif name == "speed" and self._point is not None:
            # metres per second by the schema of 1.0 and by the track point extension; not elsewhere
            known = self._path[-1] == "trkpt" or "TrackPointExtension" in space
            self.found.speed_unit_known = self.found.speed_unit_known or known
        self._path.append(name)

    def _open(self, attributes: dict[str, str]) -> None:
        line = int(self.expat.CurrentLineNumber) + self.first_line
        self._point = Point(line, attributes.get("lat", ""), attributes.get("lon", ""))
        self.found.started += 1
        self.found.open_line = line

    def data(self, text: str) -> None:
        if self._point is not None:
            self._text.append(text)

    def end(self, tag: str) -> None:
        name = self._path.pop()
        point = self._point
        if point is None:
            return
        if name == "trkpt":
            self.found.points.append(point)
            self._point, self.found.open_line = None, None
        elif self._text:
            self._keep(point, name, "".join(self._text).strip())
        self._text = []

    def _keep(self, point: Point, name: str, text: str) -> None:
        if not text:
            return
        if self._path[-1] == "trkpt" and name in SCHEMA_FIELDS:
            point.fields.setdefault(name, text)
        elif "extensions" in self._path and len(point.fields) < _MOST_EXTENSIONS:
            point.fields.setdefault(f"ext:{name}", text)

    def close(self) -> None:
        """The parser calls this at the end; nothing is left to do."""
