"""Named sets of point criteria with published figures, for `points.preset` and `--criteria`.

A preset replaces the defaults of the keys it names; keys written in settings.toml beside it come first. A published
tolerance says how close a result must come, not how steady a stretch must be; used as criteria of steadiness it
answers: would this stretch pass within that tolerance?
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Preset:
    """values: key of [points] -> value as written in settings.toml; source: where the figures stand."""

    source: str
    values: Mapping[str, str | float]


PRESETS: dict[str, Preset] = {
    "default": Preset("the program's own values, each with its source in the documentation of detect/criteria", {}),
    "part-60-descent": Preset(
        "14 CFR Part 60 Appendix A, table A2A, 1.d.4 (2014, p. 47), idle descent: stabilised, recorded over at least "
        "1000 ft, 3 kt, 5 % or 200 ft/min",
        {
            "airspeed_band": "3 kt",
            "vertical_speed_share": 0.05,
            "vertical_speed_deviation": "200 fpm",
            "height_change": "1000 ft",
            "hold_factor": 1.0,
        },
    ),
    "part-60-emergency-descent": Preset(
        "14 CFR Part 60 Appendix A, table A2A, 1.d.5 (2014, p. 47), emergency descent: stabilised, over at least 3000 ft, "
        "5 kt, 5 % or 300 ft/min",
        {
            "airspeed_band": "5 kt",
            "vertical_speed_share": 0.05,
            "vertical_speed_deviation": "300 fpm",
            "height_change": "3000 ft",
            "hold_factor": 1.0,
        },
    ),
    "part-60-climb": Preset(
        "14 CFR Part 60 Appendix A, table A2A, 1.c.2 and 1.c.4 (2014, p. 46), climb with an engine out: over at least "
        "1000 ft, 3 kt, 5 % or 100 ft/min",
        {
            "airspeed_band": "3 kt",
            "vertical_speed_share": 0.05,
            "vertical_speed_deviation": "100 fpm",
            "height_change": "1000 ft",
            "hold_factor": 1.0,
        },
    ),
    "part-60-snapshot": Preset(
        "14 CFR Part 60 Appendix A (2014, p. 21, paragraph e), snapshot: steady from 4 s before to 1 s after the instant",
        {"minimum_duration": "5 s"},
    ),
    "part-36": Preset(
        "14 CFR Part 36 Appendix B, B36.8(g), noise test runs: indicated airspeed at every instant within 3 % of the "
        "average over the run",
        {"airspeed_band": "0 kt", "airspeed_share": 0.03, "hold_factor": 1.0},
    ),
    "gnss-leg": Preset(
        "SFTE Reference Handbook, 3rd ed. 2013, section 4 (airspeed calibration by satellite legs): about 10 s of "
        "stable speed on each leg",
        {"minimum_duration": "10 s"},
    ),
}
