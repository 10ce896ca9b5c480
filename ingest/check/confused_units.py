"""Which unit a channel's numbers would fit better than the one stated: the pairs of units that get mixed up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ...shared.units import factors, find_unit


@dataclass(frozen=True, slots=True)
class Confusion:
    """A unit stated and another one written (symbols of the unit table)."""

    stated: str
    written: str

    @property
    def factor(self) -> float:
        """What differences of the quantity are multiplied by when they are read in the stated unit."""
        return factors(self.stated)[0] / factors(self.written)[0]

    @property
    def words(self) -> str:
        """The confusion as people say it."""
        return f"{self.stated} stated, {self.written} written"

    def of(self, value: float) -> float:
        """The SI value that comes out when `value` (SI) is written in one unit and read in the other."""
        factor, offset = factors(self.stated)
        written_factor, written_offset = factors(self.written)
        return (value - written_offset) / written_factor * factor + offset

    def undo(self, value: float) -> float:
        """The SI value that was written, of one (SI) that was read in the stated unit."""
        factor, offset = factors(self.stated)
        written_factor, written_offset = factors(self.written)
        return (value - offset) / factor * written_factor + written_offset


def _both(*pairs: tuple[str, str]) -> tuple[Confusion, ...]:
    return tuple(Confusion(*pair) for one, other in pairs for pair in ((one, other), (other, one)))


# kind of quantity -> confusions; statute miles and knots differ by less than speeds do, see `speeds`
CONFUSIONS: dict[str, tuple[Confusion, ...]] = {
    "length": _both(("m", "ft")),
    "speed": _both(("kt", "km/h"), ("mph", "km/h"), ("m/s", "kt"), ("m/s", "km/h")),
    "temperature": _both(("degC", "degF")),
    "pressure": _both(("inHg", "hPa"), ("psi", "kPa"), ("bar", "psi")),
    "mass": _both(("kg", "lb")),
    "mass_flow": _both(("kg/h", "lb/h")),
    "volume": _both(("usgal", "l")),
    "volume_flow": _both(("usgal/h", "l/h")),
}


def confusions_of(kind: str, unit_as_written: str | None) -> tuple[Confusion, ...]:
    """The confusions possible for a column that states this unit; all of its kind when it states none."""
    unit = find_unit(unit_as_written) if unit_as_written else None
    every = CONFUSIONS.get(kind, ())
    return every if unit is None else tuple(one for one in every if factors(one.stated) == factors(unit.symbol))


def find_confusion(possible: Sequence[Confusion], usual: float, shown: float, tolerance: float) -> Confusion | None:
    """The confusion that turns the usual SI value into the shown one; None when none of the possible ones does.

    tolerance: relative for ratios, hundreds of kelvin for temperatures (0.03: 3 %, 3 K).
    """
    fitting: list[tuple[float, Confusion]] = []
    for one in possible:
        expected = one.of(usual)
        if factors(one.stated)[1]:
            if abs(expected - usual) < 200 * tolerance:  # near -40 degrees both scales say the same
                continue
            error = abs(shown - expected) / 100
        elif usual > 0 and shown > 0:
            error = abs(math.log(shown / expected))
        else:
            continue
        if error < tolerance:
            fitting.append((error, one))
    return min(fitting, key=lambda pair: pair[0])[1] if fitting else None
