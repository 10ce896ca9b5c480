"""The accepted points of a programme with everything a reduction asks of them, one row each, SI.

One aircraft at a time: numbers of two airframes are never pooled. What cannot be used is listed with
its reason, never dropped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ...shared.errors import SettingsError, unknown_sortie
from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.settings import Settings
from ...store.statistics_table import spread_statistics
from .sheet import LeftOut, Reference

if TYPE_CHECKING:
    from ...store.programme import Programme


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What a reduction works on.

    points: one row per accepted point: sortie, day (UTC date), number, start_utc, start_s, stop_s, duration_s,
    kind, gear, flap, power, propulsion, `inferred` (whether its flight recorded no gear or flap), then per channel its mean `<channel>`, standard error
    `<channel>_error`, slope `<channel>_slope` and deviation `<channel>_deviation`, and `weight` [N],
    `dynamic_pressure` [Pa], `mass_from` (card, settings or nothing). Missing values NaN.
    gear_moves: whether any point of the aircraft, asked for or not, tells gear up from gear down.
    """

    programme: Programme
    settings: Settings
    aircraft: str | None
    sorties: tuple[str, ...]
    points: pd.DataFrame
    left_out: tuple[LeftOut, ...] = ()
    options: Mapping[str, float | str] = field(default_factory=dict)
    gear_moves: bool = False

    @property
    def standard_mass(self) -> float:
        """Mass results are stated at [kg]: the settings' aircraft.mass, else the mean of the points'; NaN when neither is known."""
        if self.settings.aircraft.mass is not None:
            return float(self.settings.aircraft.mass)
        known = self.points["mass"].dropna() if "mass" in self.points else pd.Series(dtype=float)
        return float(known.mean()) if len(known) else float("nan")

    def word(self, option: str, *allowed: str) -> str:
        """The word an option was given, the first allowed one where it was not. Raises SettingsError for any other word."""
        given = str(self.options.get(option, allowed[0])).strip().casefold()
        if given not in allowed:
            raise SettingsError(f"{option} takes one of a few words", found=given, allowed=", ".join(allowed))
        return given

    def inferred(self) -> tuple[str, ...]:
        """Flights whose gear or flap nobody recorded: told from the aircraft's response, so less surely."""
        return _inferred(self.programme, self.sorties)


# column of the statistics -> how its columns of `Evidence.points` end
_ENDINGS = {"mean": "", "standard_error": "_error", "slope_per_s": "_slope", "deviation": "_deviation"}
INFERRED_WEIGHT = 0.5  # of a point whose gear or flap was inferred; common practice, no source


def inferred_note(evidence: Evidence, sorties: set[str]) -> tuple[str, ...]:
    """What must be said where gear or flap of some of these sorties was told from the response; nothing else."""
    doubtful = [one for one in evidence.inferred() if one in sorties]
    if not doubtful:
        return ()
    return (
        f"Gear or flap was told from the response, not recorded, in {', '.join(doubtful)}: these count less, and a mistaken "
        "state would stand among them. Leave such flights out to see what they change.",
    )


def gather_evidence(
    programme: Programme,
    *,
    sorties: Sequence[str] = (),
    config: Mapping[str, str] | None = None,
    aircraft: str | None = None,
    options: Mapping[str, float | str] | None = None,
    judged: bool = False,
) -> Evidence:
    """The evidence of these sorties (all when none is named) of one aircraft; config: as in Programme.points.

    judged: the points as people judged them (Programme.judged_points) in place of those found; what a person
    rejected is then left out with that person's reason.

    Raises UnknownSortieError, SettingsError when the sorties are of several aircraft and none is chosen.
    """
    settings = programme.settings
    listed = programme.sorties()
    for one in sorties:
        if one not in set(listed["sortie"]):
            raise unknown_sortie(one, list(listed["sortie"]))
    asked = listed[listed["sortie"].isin(sorties)] if sorties else listed
    chosen, name, left_out = _of_one_aircraft(asked, aircraft or settings.aircraft.name)
    points = programme.judged_points(config=config, refused=True) if judged else programme.points(config=config)
    every = programme.points() if config else points
    gear_moves = bool(every[every["sortie"].isin(_flown_by(name, listed))]["gear"].isin(["up", "down"]).any())
    points = points[points["sortie"].isin(chosen)].reset_index(drop=True)
    if judged:
        left_out = (*left_out, *_rejected(points))
        points = points[points["accepted"]].reset_index(drop=True)
    if judged:
        statistics = _pivoted(points, programme.judged_statistics())
    else:
        statistics = spread_statistics(programme.folder, points, _ENDINGS)
    table = _with_statistics(points, statistics, settings)
    table["inferred"] = table["sortie"].isin(_inferred(programme, chosen))
    return Evidence(programme, settings, name, chosen, table, left_out, dict(options or {}), gear_moves)


def _inferred(programme: Programme, sorties: Sequence[str]) -> tuple[str, ...]:
    findings = programme.findings()
    if not len(findings):
        return ()
    told = findings[(findings["code"] == "STATE_INFERRED") & findings["sortie"].isin(sorties)]
    return tuple(sorted(set(told["sortie"])))


def _flown_by(name: str | None, listed: pd.DataFrame) -> pd.Series:
    """The sorties of an aircraft; all where none has a name."""
    if name is None:
        return listed["sortie"]
    return listed["sortie"][listed["aircraft"].map(lambda one: isinstance(one, str) and _same(one, name))]


def reference_of(row: Mapping[str, object]) -> Reference:
    """The way back to a point from its row in `Evidence.points`."""
    return Reference(
        str(row["sortie"]),
        int(row["number"]),  # type: ignore[call-overload]
        float(row["start_s"]),  # type: ignore[arg-type]
        float(row["stop_s"]),  # type: ignore[arg-type]
    )


def references_of(points: pd.DataFrame) -> tuple[Reference, ...]:
    """The ways back to all points of a frame, in its order."""
    columns = (points[name].tolist() for name in ("sortie", "number", "start_s", "stop_s"))
    rows = zip(*columns, strict=True)  # a record of the whole row would take half a second for 10,000 points
    return tuple(Reference(str(sortie), int(number), float(start), float(stop)) for sortie, number, start, stop in rows)


def _of_one_aircraft(
    asked: pd.DataFrame, wanted: str | None
) -> tuple[tuple[str, ...], str | None, tuple[LeftOut, ...]]:
    names = sorted({str(one) for one in asked["aircraft"].dropna() if str(one)})
    if len(names) <= 1 and (wanted is None or not names or _same(names[0], wanted)):
        return tuple(asked["sortie"]), names[0] if names else wanted, ()
    if wanted is None or not any(_same(one, wanted) for one in names):
        raise SettingsError(
            "the sorties are of several aircraft, and one reduction is of one"
            if wanted is None
            else "no sortie is of the aircraft asked for",
            found=", ".join(names),
            do="name one with --aircraft, or as aircraft.name in settings.toml",
        )
    own = asked["aircraft"].map(lambda one: isinstance(one, str) and _same(one, wanted))
    others = asked[~own]
    left_out = tuple(
        LeftOut(
            f"sortie {row['sortie']}",
            f"is of {row['aircraft'] or 'an unnamed aircraft'}, not of {wanted}",
            Reference(row["sortie"]),
        )
        for row in others.to_dict("records")
    )
    return tuple(asked[own]["sortie"]), wanted, left_out


def _rejected(points: pd.DataFrame) -> tuple[LeftOut, ...]:
    """Points that were found and that a person rejected."""
    rejected = points[~points["accepted"] & points["found_accepted"].eq(True)]
    return tuple(
        LeftOut(
            f"point {row['number']} of {row['sortie']}",
            f"rejected by {row['judged_by'] or 'a person'}: {row['judged_reason'] or 'no reason given'}",
            reference_of({str(key): value for key, value in row.items()}),
        )
        for row in rejected.to_dict("records")
    )


def _same(one: str, other: str) -> bool:
    return "".join(filter(str.isalnum, one)).casefold() == "".join(filter(str.isalnum, other)).casefold()


def _pivoted(points: pd.DataFrame, long: pd.DataFrame) -> pd.DataFrame:
    """As `spread_statistics`, of statistics in the long form."""
    long = long[long["accepted"] & long["sortie"].isin(set(points["sortie"]))]
    index = pd.MultiIndex.from_frame(points[["sortie", "number"]])
    blocks = []
    for value, ending in _ENDINGS.items():
        wide = long.pivot(index=["sortie", "number"], columns="channel", values=value).reindex(index)
        blocks.append(wide.reset_index(drop=True).add_suffix(ending))
    return pd.concat(blocks, axis=1)


def _with_statistics(points: pd.DataFrame, statistics: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    keep = ["sortie", "number", "start_utc", "stop_utc", "start_s", "stop_s", "duration_s", "kind",
            "gear", "flap", "power", "propulsion", "score"]  # fmt: skip
    out = points[keep].copy()
    out["day"] = pd.to_datetime(out["start_utc"]).dt.strftime("%Y-%m-%d")
    return _with_loads(pd.concat([out, statistics], axis=1), settings)


def _with_loads(points: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    mass = points["mass"] if "mass" in points else pd.Series(np.nan, index=points.index)
    source = pd.Series(np.where(mass.notna(), "card", "nothing"), index=points.index)
    if settings.aircraft.mass is not None:
        source = source.where(mass.notna(), "settings")
        mass = mass.fillna(float(settings.aircraft.mass))
    speed = points["equivalent_airspeed"] if "equivalent_airspeed" in points else pd.Series(np.nan, index=points.index)
    return points.assign(
        mass=mass, mass_from=source, weight=mass * STANDARD_GRAVITY, dynamic_pressure=SEA_LEVEL_DENSITY / 2 * speed**2
    )
