"""The setup record (TMATS): names of channels, measurements and their conversions.

Attribute codes as in IRIG 106 Chapter 9: R group (recorder: TK1 channel, DSI source name, ASR/AMN/AF
analog, DMN/DMSK discrete), B group (bus: LBL label, SDI, MN measurement), C group (DCN, MN3 units,
BFM format, CO coefficients, PS3/PS4 pairs).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_PAIR = re.compile(r"([A-Z]-?\d*(?:\\[A-Z0-9]+)+(?:-\d+)*)\s*:([^;]*);", re.I)
_INDEXED = re.compile(r"\A(?P<group>[A-Z])-(?P<x>\d+)\\(?P<code>[A-Z0-9\\]+?)(?P<index>(?:-\d+)*)\Z", re.I)


@dataclass(frozen=True, slots=True)
class Conversion:
    """From counts to engineering units: a polynomial (lowest power first) or a table of pairs."""

    unit: str | None = None
    binary: str = ""
    coefficients: tuple[float, ...] = ()
    pairs: tuple[tuple[float, float], ...] = ()

    def apply(self, counts: Floats) -> Floats:
        """Counts, shape (n,), in the conversion's unit; unchanged when it holds none."""
        if self.coefficients:
            return np.asarray(np.polynomial.polynomial.polyval(counts, self.coefficients), dtype=np.float64)
        if len(self.pairs) >= 2:
            ordered = sorted(self.pairs)
            line = np.interp(counts, [p[0] for p in ordered], [p[1] for p in ordered])
            return np.asarray(line, dtype=np.float64)
        return counts

    @property
    def is_known(self) -> bool:
        """True when counts can be converted."""
        return bool(self.coefficients) or len(self.pairs) >= 2


@dataclass(frozen=True, slots=True)
class Label:
    """One measurement of a bus word: octal label, SDI (None: any), its name, its bits as a mask (None: all of the data)."""

    label: int
    sdi: int | None
    name: str
    mask: str | None = None


@dataclass
class Setup:
    """Everything of the setup record this reader uses, by channel id."""

    attributes: dict[str, str] = field(default_factory=dict)
    sources: dict[int, str] = field(default_factory=dict)  # channel id -> its name
    links: dict[int, str] = field(default_factory=dict)  # channel id -> data link name
    indices: dict[int, tuple[str, str]] = field(default_factory=dict)  # channel id -> (recorder x, source n)
    conversions: dict[str, Conversion] = field(default_factory=dict)  # measurement name -> conversion
    labels: dict[str, list[Label]] = field(default_factory=dict)  # data link name -> bus words

    def of_channel(self, channel: int, code: str, *more: int) -> str | None:
        """The R-group attribute of a channel: code-n or code-n-m."""
        if channel not in self.indices:
            return None
        x, n = self.indices[channel]
        tail = "".join(f"-{m}" for m in more)
        return self.attributes.get(f"R-{x}\\{code}-{n}{tail}")

    def name_of(self, channel: int) -> str:
        """The channel's name, or 'channel N'."""
        return self.sources.get(channel) or f"channel {channel}"


def read_setup(text: str) -> Setup:
    """Attributes and what follows from them; anything odd in the text is passed over."""
    setup = Setup()
    for code, value in _PAIR.findall(text.replace("\r", "").replace("\n", "")):
        if value.strip():
            setup.attributes.setdefault(code.upper(), value.strip())
    _read_channels(setup)
    _read_conversions(setup)
    _read_labels(setup)
    return setup


def _group(setup: Setup, letter: str) -> list[tuple[str, str, list[int], str]]:
    """(x, code, indices, value) of every attribute of a numbered group."""
    out = []
    for key, value in setup.attributes.items():
        match = _INDEXED.match(key)
        if match and match["group"] == letter:
            out.append((match["x"], match["code"], [int(i) for i in match["index"].split("-")[1:]], value))
    return out


def _read_channels(setup: Setup) -> None:
    for x, code, index, value in _group(setup, "R"):
        if code == "TK1" and len(index) == 1 and value.isdecimal() and len(value) <= 6:
            channel, n = int(value), index[0]
            setup.indices.setdefault(channel, (x, str(n)))
            name = setup.attributes.get(f"R-{x}\\DSI-{n}")
            if name:
                setup.sources.setdefault(channel, name)
            for link in ("CDLN", "BDLN"):
                if f"R-{x}\\{link}-{n}" in setup.attributes:
                    setup.links.setdefault(channel, setup.attributes[f"R-{x}\\{link}-{n}"])


def _read_conversions(setup: Setup) -> None:
    found: dict[str, dict[str, str]] = {}
    for x, code, index, value in _group(setup, "C"):
        found.setdefault(x, {})["-".join([code, *map(str, index)])] = value
    for codes in found.values():
        if "DCN" in codes:
            setup.conversions.setdefault(codes["DCN"], _conversion(codes))


def _conversion(codes: dict[str, str]) -> Conversion:
    coefficients = [number(codes.get("CO"))]
    coefficients += [number(codes.get(f"CO-{k}")) for k in range(1, 20) if f"CO-{k}" in codes]
    pairs = [(number(codes.get(f"PS3-{k}")), number(codes.get(f"PS4-{k}"))) for k in range(1, 33)]
    good = tuple((a, b) for a, b in pairs if a is not None and b is not None)
    polynomial = tuple(c if c is not None else 0.0 for c in coefficients) if len(coefficients) > 1 else ()
    return Conversion(codes.get("MN3"), codes.get("BFM", "").upper(), polynomial, good)


def _read_labels(setup: Setup) -> None:
    links = {x: value for x, code, _, value in _group(setup, "B") if code == "DLN"}
    for x, code, index, value in _group(setup, "B"):
        if code != "LBL" or len(index) != 2 or x not in links:
            continue
        bus, message = index
        name = setup.attributes.get(f"B-{x}\\MN-{bus}-{message}-1")
        sdi = setup.attributes.get(f"B-{x}\\SDI-{bus}-{message}", "")
        octal = int(value, 8) if re.fullmatch(r"[0-7]{1,3}", value) else None
        if name and octal is not None and octal <= 0o377:
            bits = int(sdi, 2) if re.fullmatch(r"[01]{2}", sdi) else None
            mask = setup.attributes.get(f"B-{x}\\MBM-{bus}-{message}-1-1")
            setup.labels.setdefault(links[x], []).append(Label(octal, bits, name, mask))


def number(text: str | None) -> float | None:
    """A finite number, or None."""
    try:
        value = float(text) if text else float("nan")
    except ValueError:
        return None
    return value if np.isfinite(value) else None
