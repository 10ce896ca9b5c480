"""Sink of every glide configuration at any speed, bank, mass within what was measured: one fit over all glides.

    w / V = (b - d (r / r0 - 1)) u m0 / m + c n^2 (m / m0) / u        u = (Ve / 50 m/s)^2

b: one per configuration (gear, flap), c: induced, one for all; n load factor; m mass, m0 the standard mass; r: engine
revolutions per metre flown. d is what an idling engine changes between thick and thin air (see propeller). Left out
where engine speed is not known. Parabolic polar and advance
ratio: SFTE Reference Handbook, 3rd ed. 2013, sections 5 and 6. Residuals are split into a share common to a flight
(its air, its mass) and one of the point; both enter the draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .conditions import gear_is_fixed
from .evidence import INFERRED_WEIGHT, Evidence, reference_of
from .propeller import is_fine, turning
from .sheet import LeftOut, Reference

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Key = tuple[str, str]  # gear, flap
REFERENCE_M_S = 50.0
NO_POWER = ("idle", "off")
# least shares of the sink, where one flight cannot tell; common practice, no source
FLIGHT_FLOOR, POINT_FLOOR = 0.01, 0.005
HUBER = 2.5
# share of the sink by which a point of an inferred configuration may disagree; common practice, no source
MISREAD = 0.12
SPEED_MARGIN_M_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class GlideModel:
    """The fit. draws: (n, parameters); columns: the classes in `keys`, then c, then d where it is told.

    speeds: measured equivalent airspeeds [m/s] of each class, lowest and highest; day: standard deviation of a
    flight's own share of the sink [1]; residual: of a point's.
    """

    keys: tuple[Key, ...]
    estimate: Floats
    covariance: Floats
    ratio: float
    standard_mass: float
    speeds: Mapping[Key, tuple[float, float]]
    counts: Mapping[Key, tuple[int, int]]  # points, flights
    day: float
    residual: float
    flights: int
    masses: tuple[float, float]
    ratios: tuple[float, float]  # engine revolutions per metre, NaN unknown
    used: tuple[Reference, ...]

    @property
    def knows_propeller(self) -> bool:
        """Whether the propeller's part was told."""
        return len(self.estimate) > len(self.keys) + 1

    def draws(self, count: int, random: np.random.Generator) -> Floats:
        """Parameters drawn from the fit's covariance, none below zero, shape (count, parameters)."""
        drawn = random.multivariate_normal(self.estimate, self.covariance, size=count, method="svd")
        return np.maximum(drawn, 0.0)


def glides_of(evidence: Evidence, propulsion: str | None = None) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Glide points without power with their class in `gear_word`, `flap`, `fine`, `inferred`, and those left out with the reason.

    propulsion: the only state wanted, the commonest when None: idling is never mixed with an engine that is off.
    """
    points = evidence.points
    glides = points[(points["kind"] == "glide") & points["power"].isin(NO_POWER)].copy()
    needed = ("equivalent_airspeed", "true_airspeed", "sink_rate")
    for name in (*needed, "engine_speed", "mass"):
        if name not in glides:
            glides[name] = np.nan
    glides["gear_word"] = gear_words(glides["gear"], evidence)
    glides["mass"] = glides["mass"].fillna(evidence.standard_mass)
    glides["ratio"] = glides["engine_speed"] / glides["true_airspeed"]
    glides["fine"] = is_fine(glides["ratio"].to_numpy(dtype=np.float64))
    if evidence.settings.aircraft.governed_propeller is False:
        glides["fine"] = True
    wanted = propulsion or commonest(glides["propulsion"])
    doubtful = evidence.inferred()
    glides["inferred"] = glides["sortie"].isin(doubtful)
    left = []
    keep = np.ones(len(glides), dtype=bool)
    for position, row in enumerate(glides.to_dict("records")):
        reason = _reason(row, needed, wanted)
        if reason:
            keep[position] = False
            left.append(LeftOut(f"glide {row['number']} of {row['sortie']}", reason, reference_of(row)))
    return glides[keep].reset_index(drop=True), tuple(left)


STATE_WORDS = {
    "idle": "engine idling",
    "windmilling": "engine off, propeller windmilling",
    "governed": "engine off, propeller governed",
    "stopped": "propeller stopped",
}


def state_words(glides: pd.DataFrame) -> str:
    """What the engine did on these glides, in words."""
    if not len(glides):
        return "no glides"
    word = str(glides["propulsion"].iloc[0])
    return STATE_WORDS.get(word, f"propulsion state {word}")


def commonest(words: pd.Series) -> str:
    """The word most rows hold, the first in order of those held equally often; 'idle' for no rows."""
    return str(words.mode().iloc[0]) if len(words) else "idle"


def _reason(row: Mapping[str, Any], needed: tuple[str, ...], propulsion: str) -> str | None:
    if row["propulsion"] != propulsion:
        return f"the propulsion state was {row['propulsion']}, not {propulsion}"
    missing = [name.replace("_", " ") for name in needed if not np.isfinite(row[name])]
    if missing:
        return f"no {' and no '.join(missing)}"
    if row["gear_word"] == "unknown":
        return "the gear's state is unknown"
    if row["flap"] in ("unknown", "transit"):
        return f"the flap's state is {row['flap']}"
    if not row["sink_rate"] > 0:
        return "it does not sink: the air rose"
    return None


def gear_words(words: pd.Series, evidence: Evidence) -> pd.Series:
    """The gear states; all 'fixed' where no sortie ever told up from down or the settings say that it does not retract."""
    return words.map(lambda _: "fixed") if gear_is_fixed(evidence) else words


def fit_glides(glides: pd.DataFrame, standard_mass: float) -> GlideModel | None:
    """The model of these glides (one propeller class); None when fewer than three, or no two speeds, are there."""
    keys = tuple(sorted(set(zip(glides["gear_word"], glides["flap"], strict=True))))
    mass = np.asarray(glides["mass"], dtype=np.float64)
    mass_ratio = mass / standard_mass if np.isfinite(mass).all() and standard_mass > 0 else np.ones(len(mass))
    measured = (glides["sink_rate"] / glides["true_airspeed"]).to_numpy(dtype=np.float64)
    ratio = glides["ratio"].to_numpy(dtype=np.float64)
    middle, relative = turning(ratio)
    u = (glides["equivalent_airspeed"].to_numpy(dtype=np.float64) / REFERENCE_M_S) ** 2
    which = np.array([keys.index(k) for k in zip(glides["gear_word"], glides["flap"], strict=True)], dtype=int)
    design = np.zeros((len(glides), len(keys) + 1))
    if len(glides) >= 3 and np.ptp(u) > 0:
        design[np.arange(len(glides)), which] = u / mass_ratio
        design[:, len(keys)] = (1 - measured**2) * mass_ratio / u
        if relative is not None and len(glides) > len(keys) + 3:
            design = np.column_stack([design, -relative * u / mass_ratio])
    if len(glides) < 3 or len(glides) <= len(keys) or not np.ptp(u) > 0:
        return None
    weight = np.where(glides["inferred"], INFERRED_WEIGHT, 1.0) / measured
    estimate, robust = _solve(design, measured, weight)
    day, point = _split_residuals(design @ estimate / measured - 1, glides["sortie"].to_numpy(), design.shape[1])
    covariance = _covariance(design / measured[:, None], robust * measured, glides["sortie"].to_numpy(), (day, point))
    own = {k: glides[which == i] for i, k in enumerate(keys)}
    return GlideModel(
        keys, estimate, covariance, middle, standard_mass,
        {k: _range(g["equivalent_airspeed"]) for k, g in own.items()},
        {k: (len(g), g["sortie"].nunique()) for k, g in own.items()},
        day, point, glides["sortie"].nunique(), (float(np.min(mass)), float(np.max(mass))), (float(np.min(ratio)), float(np.max(ratio))),
        tuple(reference_of({str(a): b for a, b in row.items()}) for row in glides.to_dict("records")),
    )  # fmt: skip


def fit_without_misread(glides: pd.DataFrame, standard_mass: float) -> tuple[GlideModel | None, tuple[LeftOut, ...]]:
    """`fit_glides` without the points whose gear or flap was inferred and that disagree with all others; those left out.

    A point with a recorded configuration is never left out for disagreeing.
    """
    model = fit_glides(glides, standard_mass)
    if model is None or not glides["inferred"].any():
        return model, ()
    off = _disagreement(model, glides)
    bad = glides["inferred"].to_numpy(dtype=bool) & (np.abs(off) > MISREAD)
    if not bad.any() or (again := fit_glides(glides[~bad].reset_index(drop=True), standard_mass)) is None:
        return model, ()
    left = [
        LeftOut(
            f"glide {row['number']} of {row['sortie']}",
            f"its sink is {100 * share:+.0f} % off what its configuration's others tell, and that was inferred, not recorded",
            reference_of({str(key): value for key, value in row.items()}),
        )
        for row, share in zip(glides[bad].to_dict("records"), off[bad], strict=True)
    ]
    return again, tuple(left)


def _disagreement(model: GlideModel, glides: pd.DataFrame) -> Floats:
    """Measured over modelled sink less 1, (n,)."""
    draws = model.estimate[None, :]
    ones = np.ones(len(glides))
    b = np.array([model.estimate[model.keys.index(k)] for k in zip(glides["gear_word"], glides["flap"], strict=True)])
    mass = np.asarray(glides["mass"], dtype=np.float64) / model.standard_mass
    mass = np.where(np.isfinite(mass), mass, 1.0)
    relative = glides["ratio"].to_numpy(dtype=np.float64) / model.ratio
    relative = np.where(np.isfinite(relative), relative, 1.0)
    speed = glides["equivalent_airspeed"].to_numpy(dtype=np.float64)
    modelled = slope_of(model, b, draws, speed=speed, load=(ones, mass, relative))
    measured = (glides["sink_rate"] / glides["true_airspeed"]).to_numpy(dtype=np.float64)
    return np.asarray(measured / modelled - 1, dtype=np.float64)


def _range(speeds: pd.Series) -> tuple[float, float]:
    return float(speeds.min()), float(speeds.max())


def _solve(design: Floats, measured: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Least squares of relative residuals with nothing below zero, Huber's weights for those far out; the weights too."""
    from scipy.optimize import lsq_linear

    robust = weight.copy()
    estimate = np.zeros(design.shape[1])
    for _ in range(8):
        estimate = lsq_linear(design * robust[:, None], measured * robust, bounds=(0.0, np.inf)).x
        residual = np.abs((design @ estimate - measured) * weight)
        scale = max(1.4826 * float(np.median(residual)), POINT_FLOOR)
        robust = weight * np.sqrt(np.minimum(1.0, HUBER * scale / np.maximum(residual, 1e-12)))
    return np.asarray(estimate), robust


def _split_residuals(residual: Floats, flight: NDArray[Any], parameters: int) -> tuple[float, float]:
    """(standard deviation of a flight's mean, of a point within its flight) of relative residuals, by variance components."""
    names, which = np.unique(flight, return_inverse=True)
    counts = np.bincount(which)
    means = np.bincount(which, residual) / counts
    within = residual - means[which]
    freedom = max(len(residual) - len(names) - parameters + 1, 1)
    point = float(np.sqrt(np.sum(within**2) / freedom))
    if len(names) < 2:
        return max(FLIGHT_FLOOR, 0.5 * point), max(point, POINT_FLOOR)
    between = float(np.sum(counts * means**2) / (len(names) - 1)) - point**2
    day = np.sqrt(max(between, 0.0) / float(np.mean(counts)))
    return max(float(day), FLIGHT_FLOOR), max(point, POINT_FLOOR)


def _covariance(design: Floats, weight: Floats, flight: NDArray[Any], spread: tuple[float, float]) -> Floats:
    """Covariance of a weighted fit whose errors have a part common to each flight; design and weight of relative residuals."""
    day, point = spread
    same = flight[:, None] == flight[None, :]
    errors = day**2 * same + point**2 * np.eye(len(flight))
    scaled = design * weight[:, None]
    left = np.linalg.pinv(scaled) * weight[None, :]
    return np.asarray(left @ errors @ left.T, dtype=np.float64)


def parasite_of(
    model: GlideModel, key: Key, *, levels: Mapping[str, float], draws: Floats
) -> tuple[Floats | None, float, str]:
    """(b of a class (draws,), half range of what it is not sure of, how it was come by) measured or between neighbours.

    A flap setting that was not measured lies between the measured ones beside it, nearer to the lesser one (see
    `_between`); a gear state that was not, by the difference the gear makes with flaps up. None where that cannot be said.
    """
    known = {k: draws[:, i] for i, k in enumerate(model.keys)}
    if key in known:
        return known[key], 0.0, "measured"
    gear, flap = key
    own = [(levels[f], v) for (g, f), v in known.items() if g == gear and f in levels] if flap in levels else []
    at = levels.get(flap, 0.0)
    below = max((one for one in own if one[0] < at), key=lambda one: one[0], default=None)
    above = min((one for one in own if one[0] > at), key=lambda one: one[0], default=None)
    if below is not None and above is not None:
        return *_between(at, below, above), "between the settings measured"
    other = next((g for g, _ in model.keys if g != gear), None)
    corners = [(other, flap), (gear, "up"), (other, "up")]
    if other is not None and all(c in known for c in corners):
        value = known[(other, flap)] + known[(gear, "up")] - known[(other, "up")]
        return value, 0.25 * float(abs(np.mean(value - known[(gear, "up")]))), "from the difference the gear makes"
    return None, float("nan"), "not measured"


def _between(at: float, below: tuple[float, Floats], above: tuple[float, Floats]) -> tuple[Floats, float]:
    """(b at a share of the flap's travel, half range of what it is not sure of); below, above: (share, b) measured.

    The first part of the travel brings lift with little drag, the last part drag: taken as the square of the travel, and
    to lie between its cube and a straight line. Source: FAA-H-8083-3, Airplane Flying Handbook, use of flaps (little
    drag up to 15 degrees, a large increase beyond); the powers: common practice, no source.
    """
    line, square, cube = ((at**n - below[0] ** n) / (above[0] ** n - below[0] ** n) for n in (1, 2, 3))
    step = above[1] - below[1]
    return below[1] + square * step, 0.5 * (line - cube) * float(abs(np.mean(step)))


def slope_of(
    model: GlideModel, parasite: Floats, draws: Floats, *, speed: Floats, load: tuple[Floats, Floats, Floats]
) -> Floats:
    """Sink over true airspeed [1] in shape of the broadcast arguments.

    parasite: b; draws (n, parameters), its columns broadcast from the left; speed: equivalent airspeed [m/s]; load:
    (load factor in level flight 1 / cos bank, mass over the standard mass, revolutions per metre over the model's, 1 if unknown).
    """
    level_factor, mass_ratio, relative = load
    u = (speed / REFERENCE_M_S) ** 2
    induced = _column(draws, len(model.keys), parasite)
    braking = parasite
    if model.knows_propeller:
        braking = parasite - _column(draws, len(model.keys) + 1, parasite) * (relative - 1)
    flat = braking * u / mass_ratio
    lifted = induced * mass_ratio / u * level_factor**2
    out = flat + lifted
    for _ in range(3):  # lift is the weight's part across the path
        out = flat + lifted * (1 - np.minimum(out, 0.7) ** 2)
    return np.asarray(out, dtype=np.float64)


def _column(draws: Floats, index: int, like: Floats) -> Floats:
    column = draws[:, index]
    return column.reshape(column.shape + (1,) * (np.ndim(like) - 1)) if len(column) > 1 else column


def sink_of(model: GlideModel, key: Key, speeds: Floats, *, density_ratio: float = 1.0) -> Floats:
    """Sink rate [m/s] of a measured class at equivalent airspeeds [m/s], standard mass, wings level."""
    draws = model.estimate[None, :]
    ones = np.ones(len(speeds))
    b = draws[:, model.keys.index(key)] * ones
    steepness = slope_of(model, b, draws, speed=speeds, load=(ones, ones, ones))
    return np.asarray(steepness * speeds / np.sqrt(density_ratio), dtype=np.float64)
