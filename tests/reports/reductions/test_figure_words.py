"""A figure in words: what a person would read off it, worked out by hand."""

from __future__ import annotations

from typing import Any

from trimshot.reports.reductions.figure_words import words_of_figure


def series(label: str, x: list[Any], y: list[Any], style: str = "points") -> dict[str, Any]:
    return {"label": label, "style": style, "x": x, "y": y}


def figure(some: list[dict[str, Any]], categories: list[str] | None = None) -> dict[str, Any]:
    axes = {"x": {"label": "airspeed", "unit": "kt"}, "y": {"label": "glide ratio", "unit": "1"}}
    return {"title": "Glide", **axes, "series": some, "categories": categories or []}


def test_axes_and_the_range_of_every_series_are_told() -> None:
    told = words_of_figure(figure([
        series("clean", [80.0, 95.5, 110.0], [7.5, 8.25, 7.0]), series("", [80.0], [1.0]),
        series("clean", [80.0, 110.0], [7.0, 8.0], "band"), series("fit", [80.0, 110.0], [7.1, 8.2], "line"),
        series("lost", [None], [3.0]), series("gear", [90.0], [5.0]),
    ]))  # fmt: skip
    assert told == (
        "Glide: glide ratio against airspeed in kt. clean: 3 points, 7 to 8.25 over 80 to 110. "
        "fit: curve, 7.1 to 8.2 over 80 to 110. gear: 1 point, 5 over 90. The tables below hold its numbers"
    )


def test_many_series_are_cut_short_with_their_count() -> None:
    told = words_of_figure(figure([series(f"s{k}", [1.0], [float(k)]) for k in range(11)], ["a"]))
    assert "s7: 1 point, 7. and 3 more" in told
    assert "s8" not in told
    assert "over" not in told  # categories have names, not a range
