"""Every reduction there is, in the order people need them: one tuple, no scanning."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass

from ...shared.errors import SettingsError
from .evidence import Evidence
from .sheet import Sheet


@dataclass(frozen=True, slots=True)
class Option:
    """A value a reduction may be given. quantity: kind of unit it needs ('speed', 'length', ...), None for a word or plain number."""

    name: str
    meaning: str
    quantity: str | None = None


@dataclass(frozen=True, slots=True)
class Reduction:
    """A reduction: its name on the command line, its title, the question it answers, the module with its `run(evidence) -> Sheet`."""

    name: str
    title: str
    question: str
    module: str
    options: tuple[Option, ...] = ()

    @property
    def run(self) -> Callable[[Evidence], Sheet]:
        """The function that does it; its module is imported here, as it may need heavy libraries."""
        module = importlib.import_module(f".{self.module}", __package__)
        found: Callable[[Evidence], Sheet] = module.run
        return found


REDUCTIONS: tuple[Reduction, ...] = (
    Reduction(
        "calibration",
        "Airspeed calibration and wind",
        "what the airspeed system reads wrong, and the wind, from any full turn or set of legs",
        "calibration_sheet",
    ),
    Reduction(
        "mass",
        "Mass and centre of gravity",
        "at what mass and centre of gravity each point was flown, and where in the envelope",
        "mass_sheet",
    ),
)


def find_reduction(name: str) -> Reduction:
    """The reduction of a name. Raises SettingsError listing all."""
    for reduction in REDUCTIONS:
        if reduction.name == name:
            return reduction
    raise SettingsError("no such reduction", found=repr(name), allowed=", ".join(r.name for r in REDUCTIONS))
