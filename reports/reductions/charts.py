"""Figures drawn: data of a sheet -> SVG text. The same input gives the same bytes.

Series differ by mark and by line as well as by colour (a palette told apart with any colour vision:
P. Tol, Colour schemes, technical note SRON/EPS/TN/09-002, the `bright` and `high-contrast` hues darkened for print).
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INKS = ("#0b5d7a", "#c2571a", "#4a7c2c", "#7a4a8c", "#8a6d00", "#5c6670", "#a3324f", "#1d2329")
MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
LINES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (8, 2, 2, 2)), "-", (0, (6, 2)), (0, (2, 1.5)), (0, (8, 2, 2, 2)))
NAME_IN = 0.18  # height of one row of names
STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#5c6670",
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#d9d5cb",
    "grid.linewidth": 0.6,
    "svg.hashsalt": "trimshot",
    "svg.fonttype": "path",
    "figure.dpi": 100,
}


def draw(figure: dict[str, Any], *, width_in: float = 7.2, height_in: float = 4.2, link: str | None = None) -> str:
    """SVG of a figure's context (see present.context_of). link: address of a point, '{sortie}' and '{number}' in it."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context(STYLE):
        sheet = Figure(figsize=(width_in, height_in + NAME_IN * _rows_of_names(figure)), layout="constrained")
        FigureCanvasSVG(sheet)
        axes = sheet.add_subplot()
        _draw_series(axes, figure, link)
        _label(axes, figure)
        text = io.StringIO()
        sheet.savefig(text, format="svg", metadata={"Date": None, "Creator": "trimshot"}, transparent=True)
    return text.getvalue()


def _draw_series(axes: Axes, figure: dict[str, Any], link: str | None) -> None:
    slots: dict[str, int] = {}
    dotted = {one["pair"] for one in figure["series"] if one["style"] == "points" and one["pair"]}
    bars = [one for one in figure["series"] if one["style"] == "bars"]
    for one in figure["series"]:
        slot = slots.setdefault(one["pair"] or one["label"], len(slots)) % len(INKS)
        if one["style"] == "bars":
            _draw_bars(axes, one, slot, bars.index(one), len(bars))
        else:
            # the curve through points that are named needs no name of its own
            hidden = one["style"] != "points" and one["pair"] in dotted
            _DRAW[one["style"]](axes, {**one, "label": "_hidden"} if hidden else one, slot, link)


def _draw_points(axes: Axes, one: dict[str, Any], slot: int, link: str | None) -> None:
    x, y = _numbers(one["x"]), _numbers(one["y"])
    if one["y_low"]:
        down = [max(v - low, 0.0) for v, low in zip(y, _numbers(one["y_low"]), strict=True)]
        up = [max(high - v, 0.0) for v, high in zip(y, _numbers(one["y_high"]), strict=True)]
        axes.errorbar(x, y, yerr=(down, up), fmt="none", ecolor=INKS[slot], elinewidth=0.9, capsize=2, zorder=2)
    dots = axes.scatter(x, y, s=26, color=INKS[slot], marker=MARKS[slot], label=one["label"], zorder=3)
    if link and one["origin"]:
        dots.set_urls([_address(link, origin) for origin in one["origin"]])


def _draw_line(axes: Axes, one: dict[str, Any], slot: int, link: str | None) -> None:
    del link
    axes.plot(
        _numbers(one["x"]),
        _numbers(one["y"]),
        color=INKS[slot],
        linestyle=LINES[slot],
        linewidth=1.5,
        label=one["label"],
    )


def _draw_band(axes: Axes, one: dict[str, Any], slot: int, link: str | None) -> None:
    axes.fill_between(
        _numbers(one["x"]), _numbers(one["y_low"]), _numbers(one["y_high"]), color=INKS[slot], alpha=0.16, linewidth=0
    )
    _draw_line(axes, one, slot, link)


_DRAW = {"points": _draw_points, "line": _draw_line, "band": _draw_band}


def _draw_bars(axes: Axes, one: dict[str, Any], slot: int, position: int, count: int) -> None:
    width = 0.8 / count
    x = [float(v) - 0.4 + width * (position + 0.5) for v in _numbers(one["x"])]
    y = _numbers(one["y"])
    hatch = ("", "///", "...", "xxx")[position % 4]
    axes.bar(x, y, width * 0.92, color=INKS[slot], alpha=0.75, hatch=hatch, edgecolor="#ffffff", label=one["label"])
    if one["y_low"]:
        down = [v - low for v, low in zip(y, _numbers(one["y_low"]), strict=True)]
        up = [high - v for v, high in zip(y, _numbers(one["y_high"]), strict=True)]
        axes.errorbar(x, y, yerr=(down, up), fmt="none", ecolor="#1d2329", elinewidth=1.1, capsize=3)


def _label(axes: Axes, figure: dict[str, Any]) -> None:
    axes.set_xlabel(_axis_text(figure["x"]))
    axes.set_ylabel(_axis_text(figure["y"]))
    axes.set_title(figure["title"], loc="left", fontsize=10, fontweight="bold")
    if figure["categories"]:
        axes.set_xticks(range(len(figure["categories"])), figure["categories"])
        if max(len(name) for name in figure["categories"]) > 12:
            axes.tick_params(axis="x", rotation=20)
    rows = _rows_of_names(figure)
    if rows:
        # below the axes, where they cover no data
        columns = -(-len(axes.get_legend_handles_labels()[1]) // rows)
        axes.figure.legend(loc="outside lower left", ncols=columns, frameon=False, fontsize=8)


def _rows_of_names(figure: dict[str, Any]) -> int:
    """How many rows the series' names take, side by side where they are short; 0 for one series, which needs none."""
    dotted = {one["pair"] for one in figure["series"] if one["style"] == "points" and one["pair"]}
    names = [one["label"] for one in figure["series"] if one["style"] == "points" or one["pair"] not in dotted]
    longest = max(map(len, names), default=0)
    beside = 4 if longest <= 22 else 2 if longest <= 48 else 1
    return -(-len(names) // beside) if len(names) > 1 else 0


def _axis_text(axis: dict[str, Any]) -> str:
    return f"{axis['label']} [{axis['unit']}]" if axis["unit"] else str(axis["label"])


def _numbers(values: list[float | None]) -> list[float]:
    return [float("nan") if value is None else float(value) for value in values]


def _address(link: str, origin: dict[str, Any]) -> str:
    from urllib.parse import quote

    return link.format(sortie=quote(origin["sortie"], safe=""), number=origin.get("number", ""))
