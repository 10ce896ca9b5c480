"""Height needed for an approach without power from overhead and from abeam the touchdown point.

Sink over the legs from the programme's own glides, gear and flap travel from its own events, how it is flown from
its own approaches; tried on every recorded approach. Method: height is the integral of sink over time, a change of
speed counts as energy height, a turn raises the load factor (see approach_sink, approach_pattern).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .approach_height import DENSITY_MARGIN, Heights, needed_heights, refusals, speeds_outside
from .approach_history import PastApproach, past_approaches
from .approach_plan import Plan, past_left_out, plan_approach
from .approach_sink import GlideModel, fit_without_misread, glides_of, state_words
from .approach_trials import Trial, Tried, try_approaches
from .evidence import Evidence, reference_of
from .propeller import density_ratio_of, is_fine
from .sheet import LeftOut
from .transients import Travel, flap_levels, own_events, travel_times

if TYPE_CHECKING:
    import pandas as pd

LEAST_TRIALS = 3
UNTRIED = 0.05  # root mean square error of whole simulated approaches (docs/measurements.md), until own ones tell
THICKER = "air as thick as taken here (all glides and approaches were flown in thinner: an idling propeller may brake otherwise)"
UNTRIED_WORTH = 2  # flights with approaches that this figure counts as beside own ones: common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class ApproachResult:
    """What is known of the next approach without power. heights: None where `missing` or `refused` says why.

    speeds_outside: (leg, configuration, speed [m/s], measured range) of planned speeds beyond what was measured;
    propulsion: what the engine did on the glides used; propeller: their class; lowest_m: lowest height [m] above the touchdown point practised without power;
    trial_spread: root mean square error of whole approaches predicted [1], NaN with fewer than three.
    """

    plan: Plan | None
    heights: Heights | None
    model: GlideModel | None
    propulsion: str
    propeller: str
    travels: tuple[Travel, ...]
    past: tuple[PastApproach, ...]
    trials: tuple[Trial, ...]
    trial_spread: float
    lowest_m: float
    missing: tuple[str, ...]
    refused: tuple[str, ...]
    speeds_outside: tuple[tuple[str, tuple[str, str], float, tuple[float, float]], ...]
    left_out: tuple[LeftOut, ...]


def reduce_approach(evidence: Evidence) -> ApproachResult:
    """The heights of the options' approach. Raises SettingsError for options that cannot be read."""
    past, past_left = past_approaches(evidence)
    past, other_state = _of_one_propulsion(past)
    glides, left = glides_of(evidence, past[0].propulsion if past else None)
    propeller, chosen, others = _one_propeller(glides, past)
    model, misread = fit_without_misread(chosen, evidence.standard_mass)
    tried = try_approaches(past, chosen, evidence)
    trials = tried.trials
    events = own_events(evidence)
    travels = travel_times(events, evidence.sorties)
    plan, missing = plan_approach(evidence, past, travels)
    levels = flap_levels(events)
    spread = _trial_spread(trials)
    heights: Heights | None = None
    refused: tuple[str, ...] = ()
    outside = () if plan is None or model is None else speeds_outside(plan, model)
    if model is None:
        missing = (*missing, "at least three glides without power at two speeds")
    elif plan is not None:
        thin, thick = _densities(chosen, past)
        refused = refusals(plan, model, levels, thinnest=thin)
        if not refused and not outside:
            doubt = _doubt(evidence, model, spread, tried)
            heights = needed_heights(plan, model, levels=levels, travels=travels, doubt=doubt)
            if plan.density_ratio > thick + DENSITY_MARGIN:
                heights = replace(heights, assumed=(*heights.assumed, THICKER))
    left_out = (
        *evidence.left_out,
        *left,
        *others,
        *misread,
        *past_left,
        *other_state,
        *tried.left_out,
        *past_left_out(past),
    )
    return ApproachResult(plan, heights, model, state_words(glides), propeller, travels, past, trials, spread, _lowest(past),
                          missing, refused, outside, left_out)  # fmt: skip


def _of_one_propulsion(past: tuple[PastApproach, ...]) -> tuple[tuple[PastApproach, ...], tuple[LeftOut, ...]]:
    """The approaches of the propulsion state most of them were flown in, and the others."""
    words = [one.propulsion for one in past]
    wanted = max(sorted(set(words)), key=words.count, default="")
    left = tuple(
        LeftOut(
            f"approach at {one.time_s[0]:.0f} s of {one.sortie}",
            f"the propulsion state was {one.propulsion}, not {wanted}",
            one.reference,
        )
        for one in past
        if one.propulsion != wanted
    )
    return tuple(one for one in past if one.propulsion == wanted), left


def _one_propeller(
    glides: pd.DataFrame, past: tuple[PastApproach, ...]
) -> tuple[str, pd.DataFrame, tuple[LeftOut, ...]]:
    """(name of the propeller's class, its glides, the others left out): the class of own approaches, else the commoner one."""
    fine = glides["fine"].to_numpy(dtype=bool)
    if fine.all():
        return "as it turns by itself", glides, ()
    flown = [one.fine for one in past if np.isfinite(one.fine)]
    if flown:
        among = np.concatenate([glides["ratio"].to_numpy(dtype=np.float64), [float(np.median(flown))]])
        wanted = bool(is_fine(among)[-1])
    else:
        wanted = bool(fine.sum() * 2 >= len(fine))
    name = "on its fine stop" if wanted else "held by the governor"
    other = glides[fine != wanted]
    left = tuple(
        LeftOut(f"glide {row['number']} of {row['sortie']}", "the propeller was in the other condition: it brakes differently",
                reference_of({str(key): value for key, value in row.items()}))
        for row in other.to_dict("records")
    )  # fmt: skip
    return name, glides[fine == wanted].reset_index(drop=True), left


def _trial_spread(trials: tuple[Trial, ...]) -> float:
    """Root mean square error of whole approaches with recorded configuration; of all where too few are recorded."""
    whole = _whole(trials)
    chosen = [t.error for t in whole if not t.inferred]
    if len(chosen) < LEAST_TRIALS:
        chosen = [t.error for t in whole]
    known = np.array([e for e in chosen if np.isfinite(e)])
    return float(np.sqrt(np.mean(known**2))) if len(known) >= LEAST_TRIALS else float("nan")


def _whole(trials: tuple[Trial, ...]) -> list[Trial]:
    """The longest stretch of each approach."""
    longest: dict[tuple[str, float], Trial] = {}
    for trial in trials:
        key = (trial.sortie, trial.approach_s)
        if key not in longest or trial.seconds > longest[key].seconds:
            longest[key] = trial
    return list(longest.values())


def _doubt(evidence: Evidence, model: GlideModel, trial_spread: float, tried: Tried) -> dict[str, float]:
    """Standard uncertainties beside the fit's: what a new day brings, the air on the way, and the instruments' type B.

    What whole predictions missed by is split: the gusts' part is drawn for each leg, what is left for the approach.
    """
    known = evidence.settings.uncertainty
    missed = UNTRIED
    if np.isfinite(trial_spread):
        flights = len({t.sortie for t in tried.trials})
        believed = (flights * trial_spread**2 + UNTRIED_WORTH * UNTRIED**2) / (flights + UNTRIED_WORTH)
        shares = [t.air / t.achieved for t in _whole(tried.trials) if t.achieved > 0]
        missed = max(believed - float(np.mean(np.square(shares))), 0.0) ** 0.5
    return {
        "air": max(model.day, missed),
        "gust": tried.gust,
        "airspeed": evidence.settings.airspeed_uncertainty,
        "sink": known.vertical_speed_share,
        "mass": known.mass_share,
    }


def _densities(glides: pd.DataFrame, past: tuple[PastApproach, ...]) -> tuple[float, float]:
    """Lowest and highest density ratio of the glides and of own approaches; NaN where none is known."""
    known = [*density_ratio_of(glides), *(float(np.mean(one.density_ratio)) for one in past)]
    finite = [value for value in known if np.isfinite(value)]
    return (min(finite), max(finite)) if finite else (float("nan"), float("nan"))


def _lowest(past: tuple[PastApproach, ...]) -> float:
    """Lowest height above the touchdown point [m] reached without power; 0 where one landed, NaN without any."""
    heights = [
        0.0
        if one.facts.get("ends_in") in ("landing", "touch_and_go")
        else float(one.facts.get("lowest_height_m") or np.nan)
        for one in past
    ]
    known = [h for h in heights if np.isfinite(h)]
    return min(known) if known else float("nan")
