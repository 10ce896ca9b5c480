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
    """A value a reduction may be given. quantity: kind of unit it needs ('speed', 'length', ...), 'number' for a plain one, None for a word.

    words: those allowed, all when empty. above, below: what a value must lie between, least: what it may not be under, SI; None for no limit.
    """

    name: str
    meaning: str
    quantity: str | None = None
    words: tuple[str, ...] = ()
    above: float | None = None
    below: float | None = None
    least: float | None = None


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


STEEPEST = 1.3  # bank [rad]: steeper, the load factor has no end
TOP = 20000.0  # [m]: the standard atmosphere the physics knows ends there
MOST_PROPOSED = 101.0
ROBUST = Option("robust", "yes: odd points count less", words=("yes", "no"))
INSTRUMENTS = Option(
    "instruments",
    "as_recorded: airspeeds and temperatures are not put right by what the flights tell of them",
    words=("measured", "as_recorded"),
)

REDUCTIONS: tuple[Reduction, ...] = (
    Reduction(
        "calibration",
        "Airspeed calibration and wind",
        "what the airspeed system reads wrong, and the wind, from any full turn or set of legs, and from all steady points together",
        "calibration_sheet",
    ),
    Reduction(
        "mass",
        "Mass and centre of gravity",
        "at what mass and centre of gravity each point was flown, and where in the envelope",
        "mass_sheet",
    ),
    Reduction(
        "drag",
        "Sink and drag by configuration",
        "how fast each configuration sinks at each airspeed, its drag polar, best glide and least sink",
        "drag_sheet",
        (
            ROBUST,
            INSTRUMENTS,
            Option(
                "density_altitude",
                "density altitude it is stated at; default: the mean of the glides",
                "length",
                below=TOP,
            ),
        ),
    ),
    Reduction(
        "increments",
        "What propeller, gear and flaps add",
        "how much drag area and sink the propeller, the gear and each flap setting add",
        "increments_sheet",
        (ROBUST, INSTRUMENTS),
    ),
    Reduction(
        "windmilling",
        "Engine speed with the throttle closed",
        "how fast the propeller turns with the throttle closed, and below which airspeed the governor lets go",
        "windmilling_sheet",
    ),
    Reduction(
        "climb",
        "Rate of climb at full power",
        "how fast it climbs at full power by height and airspeed, from climbs and level accelerations, and the best airspeeds",
        "climb_sheet",
    ),
    Reduction(
        "level",
        "Level flight: fuel flow against airspeed",
        "what level flight takes at each airspeed, mass and density taken out",
        "level_sheet",
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
        (Option("count", "how many to propose", "number", above=0.0, below=MOST_PROPOSED),),
    ),
    Reduction(
        "approach",
        "Height needed for an approach without power",
        "what height overhead and abeam the touchdown point an approach without power takes, and how predictions held",
        "approach_sheet",
        (
            Option("speed", "equivalent airspeed before final; default: as on own approaches", "speed", above=0.0),
            Option("final_speed", "equivalent airspeed on final; default: as on own approaches", "speed", above=0.0),
            Option("bank", "bank of the turns; default: as on own approaches", "angle", above=0.0, below=STEEPEST),
            Option("headwind", "wind on the nose at landing; default: none", "speed"),
            Option(
                "abeam",
                "distance abeam the touchdown point on downwind; default: as on own approaches",
                "length",
                above=0.0,
            ),
            Option(
                "downwind",
                "how far past the touchdown point base is begun; default: as on own approaches",
                "length",
                least=0.0,
            ),
            Option("gear_at", "where the gear is let down: before, high key, low key, base or final"),
            Option("flaps_at", "flap states and where each is begun, half:base,full:final"),
            Option("mass", "mass; default: the standard mass", "mass", above=0.0),
            Option(
                "density_altitude", "density altitude of the field; default: as on own approaches", "length", below=TOP
            ),
        ),
    ),
    Reduction(
        "flare",
        "What a flare takes",
        "what height, time, speed and lift a flare from the landing configuration's glide takes",
        "flare_sheet",
        (
            Option("load_factor", "load factor of the pull; default 1.25", "number", above=1.0),
            Option("speed", "equivalent airspeed it is begun at; default: as on own landings", "speed", above=0.0),
            Option("mass", "mass; default: the standard mass", "mass", above=0.0),
            Option("density_altitude", "density altitude of the field; default: sea level", "length", below=TOP),
        ),
    ),
    Reduction(
        "slow-down",
        "Slowing down",
        "how long and how far it takes to slow to the gear's and the flap's speed, level and descending",
        "slow_down_sheet",
        (
            Option("from", "speed it begins at; default: the highest measured", "speed", above=0.0),
            Option("gear_speed", "speed the gear may be moved at; default: the settings'", "speed", above=0.0),
            Option("flap_speed", "speed the flap may be moved at; default: the settings'", "speed", above=0.0),
            Option("sink", "sink rate of the descending case; default 500 ft/min", "speed"),
            Option("mass", "mass; default: the standard mass", "mass", above=0.0),
            Option("density_altitude", "density altitude; default: as measured", "length", below=TOP),
        ),
    ),
    Reduction(
        "landings",
        "Landings",
        "at what speed, sink and load each landing touched down, how it was flared, and the trend",
        "landings_sheet",
    ),
    Reduction(
        "stalls",
        "Stall speeds",
        "at what speed each configuration stalls, at one mass and load factor, with entry rate and warning",
        "stalls_sheet",
    ),
    Reduction(
        "oscillations",
        "Oscillations",
        "period and damping of phugoids, short periods and Dutch rolls against first approximations",
        "oscillations",
    ),
)


def find_reduction(name: str) -> Reduction:
    """The reduction of a name. Raises SettingsError listing all."""
    for reduction in REDUCTIONS:
        if reduction.name == name:
            return reduction
    raise SettingsError("no such reduction", found=repr(name), allowed=", ".join(r.name for r in REDUCTIONS))
