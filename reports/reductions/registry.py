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
    Reduction(
        "changes",
        "What changed",
        "what differs between two flights or groups of flights at matched points, and in what was recorded",
        "changes_sheet",
        (
            Option("before", "flights of the first side, commas between; default: all earlier ones"),
            Option("after", "flights of the second side; default: the last flight"),
        ),
    ),
    Reduction(
        "coverage",
        "What has been flown",
        "how many points each configuration has at each airspeed, height and mass, and how well its sink is known",
        "coverage_sheet",
    ),
    Reduction(
        "next",
        "Points to fly next",
        "which points would narrow the widest bands, in build-up order inside the limits of the settings",
        "next_sheet",
        (Option("count", "how many to propose", "number"),),
    ),
)


def find_reduction(name: str) -> Reduction:
    """The reduction of a name. Raises SettingsError listing all."""
    for reduction in REDUCTIONS:
        if reduction.name == name:
            return reduction
    raise SettingsError("no such reduction", found=repr(name), allowed=", ".join(r.name for r in REDUCTIONS))
