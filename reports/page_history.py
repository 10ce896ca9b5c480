"""The time histories of a sortie's page: thinned samples, points, events and lanes, in display units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .display import display_unit, shown
from .thinning import thin

if TYPE_CHECKING:
    import pandas as pd

    from ..store.programme import Programme

_BUCKETS = 3000
# panel title, digits of the legend, channels in order of preference with their labels
_PANELS: tuple[tuple[str, int, tuple[tuple[str, str], ...]], ...] = (
    ("airspeed", 1, (("indicated_airspeed", "indicated"), ("true_airspeed", "true"))),
    ("pressure altitude", 0, (("pressure_altitude", "pressure altitude"),)),
    ("vertical speed", 0, (("geometric_climb_rate", "climb rate"), ("energy_climb_rate", "energy-corrected"))),
    ("engine speed", 0, (("engine_speed", "engine speed"),)),
    ("manifold pressure", 1, (("manifold_pressure", "manifold pressure"),)),
    ("attitude", 1, (("pitch", "pitch"), ("bank", "bank"))),
)
# words with a fixed look, so that the same word looks the same on every page
_TONES = {
    "up": "tone0",
    "down": "tone2",
    "half": "tone1",
    "full": "tone2",
    "power": "tone0",
    "idle": "tone2",
    "transit": "toneT",
    "unknown": "toneU",
}
_LANES = ("phase", "gear", "flap", "propulsion")


def history_of(programme: Programme, sortie: str) -> dict[str, Any]:
    """t (epoch seconds), channels, panels, points, refused, events and lanes for the page's script."""
    held = set(programme.channels(sortie).query("track == 'frame'")["channel"])
    wanted = [c for _, _, group in _PANELS for c, _ in group if c in held]
    samples = programme.samples(sortie, wanted)
    start = programme.sorties().set_index("sortie").loc[sortie, "start_utc"].timestamp()
    time_s, columns = _thinned(samples, wanted)
    settings = programme.settings
    panels = []
    for title, digits, group in _PANELS:
        series = [{"channel": c, "label": label} for c, label in group if c in held]
        if series:
            panels.append(
                {
                    "title": title,
                    "unit": display_unit(series[0]["channel"], settings),
                    "digits": digits,
                    "series": series,
                }
            )
    channels = {name: _nulls(shown(values, name, settings), 3) for name, values in columns.items()}  # type: ignore[arg-type]
    everything = programme.points(sortie, refused=True)
    return {
        "t": [round(start + float(t), 2) for t in time_s],
        "channels": channels,
        "panels": panels,
        "points": _intervals(everything[everything["accepted"].astype(bool)], start),
        "refused": _intervals(everything[~everything["accepted"].astype(bool)], start),
        "events": [
            {"time": round(start + e.time_s, 2), "stop": round(start + e.stop_s, 2), "label": e.kind.replace("_", " ")}
            for e in programme.events(sortie).itertuples()
        ],
        "lanes": lanes_of(programme.states(sortie), start),
    }


def _thinned(samples: pd.DataFrame, wanted: list[str]) -> tuple[np.ndarray[Any, Any], dict[str, np.ndarray[Any, Any]]]:
    time_s = samples["t"].to_numpy(float)
    gaps = np.flatnonzero(np.diff(samples["gap"].to_numpy()))
    steps = np.diff(time_s)
    # every step the store calls a gap is longer than any step it does not
    limit = float(steps[gaps].min()) - 1e-6 if len(gaps) else float("inf")
    return thin(time_s, {c: samples[c].to_numpy(float) for c in wanted}, buckets=_BUCKETS, gap_s=limit)


def _nulls(values: np.ndarray[Any, Any], digits: int) -> list[float | None]:
    return [None if v != v else round(float(v), digits) for v in values]


def _intervals(points: pd.DataFrame, start: float) -> list[dict[str, Any]]:
    return [
        {
            "number": int(p.number),
            "start": round(start + p.start_s, 2),
            "stop": round(start + p.stop_s, 2),
            "kind": p.kind,
        }
        for p in points.itertuples()
    ]


def lanes_of(states: pd.DataFrame, start: float) -> list[dict[str, Any]]:
    """Lanes of words over time, `start` added to their seconds: name, and runs with value and tone."""
    lanes = []
    for name in _LANES:
        chosen = states[states["channel"] == name]
        if not len(chosen) or set(chosen["value"]) == {"unknown"}:
            continue
        words = [w for w in dict.fromkeys(chosen["value"]) if w not in ("transit", "unknown")]
        tones = {w: f"tone{k % 5}" for k, w in enumerate(words)} | _TONES
        runs = [
            {
                "start": round(start + r.start_s, 2),
                "stop": round(start + r.stop_s, 2),
                "value": r.value,
                "tone": tones[r.value],
            }
            for r in chosen.itertuples()
        ]
        lanes.append({"name": name, "runs": runs})
    return lanes
