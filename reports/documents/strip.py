"""A sortie as one strip: height and airspeed over time, lanes of gear, flap and propulsion, points shaded and numbered."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from ..display import display_unit, shown
from ..reductions.charts import INKS, STYLE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ...store.programme import Programme

_LANES = ("gear", "flap", "propulsion")
_CURVES = ("pressure_altitude", "indicated_airspeed")
_PLAIN = frozenset({"up", "power", "fixed"})


def draw_strip(programme: Programme, sortie: str, *, width_in: float = 7.4, height_in: float = 2.9) -> str:
    """SVG of the strip; missing channels leave their panel out, gaps stay open."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    held = set(programme.channels(sortie).query("track == 'frame'")["channel"])
    curves = [name for name in _CURVES if name in held]
    with rc_context({**STYLE, "font.size": 7}):
        sheet = Figure(figsize=(width_in, height_in), layout="constrained")
        FigureCanvasSVG(sheet)
        panels = sheet.subplots(
            len(curves) + 1, 1, sharex=True, height_ratios=[*[2.2] * len(curves), 1.3], squeeze=False
        )
        samples = programme.samples(sortie, curves)
        points = programme.points(sortie)
        for axes, name in zip(panels[:-1, 0], curves, strict=True):
            _draw_curve(axes, samples, name, programme)
            _shade(axes, points, numbered=name == curves[0])
        _draw_lanes(panels[-1, 0], programme, sortie)
        panels[-1, 0].set_xlabel("minutes since the first sample")
        text = io.StringIO()
        sheet.savefig(text, format="svg", metadata={"Date": None, "Creator": "trimshot"}, transparent=True)
    return text.getvalue()


def _draw_curve(axes: Axes, samples: Any, name: str, programme: Programme) -> None:
    step = max(1, len(samples) // 4000)
    part = samples.iloc[::step]
    values = np.asarray(shown(part[name].to_numpy(dtype=np.float64), name, programme.settings), dtype=np.float64)
    gaps = part["gap"].to_numpy()
    values[1:][gaps[1:] != gaps[:-1]] = np.nan  # a drop-out is never bridged
    axes.plot(part["t"] / 60, values, color=INKS[0], linewidth=0.8)
    axes.set_ylabel(f"{name.replace('_', ' ')}\n[{display_unit(name, programme.settings)}]")


def _shade(axes: Axes, points: Any, *, numbered: bool) -> None:
    for row in points.to_dict("records"):
        axes.axvspan(row["start_s"] / 60, row["stop_s"] / 60, color=INKS[1], alpha=0.16, linewidth=0)
        if numbered:
            axes.annotate(
                str(row["number"]), ((row["start_s"] + row["stop_s"]) / 120, 1.0), xycoords=("data", "axes fraction"),
                ha="center", va="bottom", fontsize=5.5, color=INKS[1],
            )  # fmt: skip


def _draw_lanes(axes: Axes, programme: Programme, sortie: str) -> None:
    states = programme.states(sortie)
    for place, lane in enumerate(reversed(_LANES)):
        for row in states[states["channel"] == lane].to_dict("records"):
            word, start, length = row["value"], row["start_s"] / 60, row["duration_s"] / 60
            plain, hidden = word in _PLAIN, word in ("unknown", "transit")
            axes.barh(
                place, length, left=start, height=0.82, color="#ffffff" if plain else "#9aa4ad" if hidden else INKS[0],
                alpha=1.0 if plain else 0.45, hatch="////" if hidden else None, edgecolor="#5c6670", linewidth=0.3,
            )  # fmt: skip
            if length > 2.5:
                axes.text(start + 0.15, place, word, va="center", fontsize=5.5, color="#1d2329", clip_on=True)
    axes.set_yticks(range(len(_LANES)), list(reversed(_LANES)))
    axes.grid(False)
    axes.set_ylim(-0.5, len(_LANES) - 0.5)
