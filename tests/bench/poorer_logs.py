"""`python -m tests.bench.poorer_logs FOLDER OUT [--fit NAME ...]`: sorties as poorer instruments would have written them.

Every sortie of FOLDER/logs is read, its channels are taken at a slower pace, rounded as coarsely as such an instrument
rounds, the others left out, gusts added where the fit says so, and written as one delimited file to
OUT/<fit>/logs/<sortie>/; the truth goes beside, so that `tests.bench.score_detection OUT/<fit>` scores it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from trimshot.ingest.sortie import read_sortie
from trimshot.shared.frame import sample_column
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings
from trimshot.shared.units import from_si

Column = tuple[str, str, float]  # header, unit, resolution in that unit

POSITION: dict[str, Column] = {
    "latitude": ("Latitude", "deg", 1e-5),
    "longitude": ("Longitude", "deg", 1e-5),
    "gnss_altitude": ("GPS Altitude MSL", "ft", 10.0),
    "ground_speed": ("Ground Speed", "kt", 1.0),
    "track_true": ("True Track", "deg", 1.0),
}
AIR: dict[str, Column] = {
    "pressure_altitude": ("Pressure Altitude", "ft", 10.0),
    "indicated_airspeed": ("IAS", "kt", 1.0),
}
ATTITUDE: dict[str, Column] = {
    "pitch": ("Pitch", "deg", 0.5),
    "bank": ("Roll", "deg", 0.5),
    "heading_magnetic": ("Magnetic Heading", "deg", 1.0),
    "normal_load_factor": ("Normal Acceleration", "g", 0.02),
}
ENGINE: dict[str, Column] = {
    "engine_speed": ("RPM", "rpm", 10.0),
    "manifold_pressure": ("Manifold Pressure", "inHg", 0.1),
    "fuel_flow": ("Fuel Flow", "gal/h", 0.1),
    "outside_air_temperature": ("OAT", "degC", 1.0),
}


@dataclass(frozen=True)
class Fit:
    """An instrument: seconds a row, its columns, and gusts on top: channel -> (standard deviation in its unit, seconds)."""

    step_s: float
    columns: Mapping[str, Column]
    gusts: Mapping[str, tuple[float, float]] = field(default_factory=dict)


def _coarser(columns: Mapping[str, Column], **resolutions: float) -> dict[str, Column]:
    return {name: (header, unit, resolutions.get(name, step)) for name, (header, unit, step) in columns.items()}


FITS: dict[str, Fit] = {
    "one_file": Fit(1.0, {**AIR, **ATTITUDE, **ENGINE, **POSITION}),
    "coarse": Fit(1.0, {**_coarser(AIR, pressure_altitude=25.0), **ENGINE}),
    "no_engine": Fit(1.0, {**AIR, **POSITION}),
    "position_only": Fit(1.0, POSITION),
    "slow": Fit(5.0, {**AIR, **ENGINE, **POSITION}),
    "rough": Fit(
        1.0,
        {**AIR, **ATTITUDE, **ENGINE, **POSITION},
        {"indicated_airspeed": (1.5, 2.0), "normal_load_factor": (0.15, 0.5), "pitch": (0.5, 2.0), "bank": (2.0, 2.0)},
    ),
}


def write_poorer(recording: Recording, fit: Fit, path: Path, *, seed: int) -> None:
    """One sortie as this instrument would have written it."""
    main = recording.track(recording.main)
    time_s = np.arange(np.ceil(main.time_s[0]), main.time_s[-1], fit.step_s)
    noise = np.random.default_rng(seed)
    columns = {
        fit.columns[name]: _written(recording, name, fit, time_s, noise)
        for name in fit.columns
        if recording.holders(name)
    }
    stamps = np.datetime64(recording.start_utc.replace(tzinfo=None), "ms") + (time_s * 1000).astype("timedelta64[ms]")
    lines = [",".join(["UTC Date", "UTC Time", *(f"{header} [{unit}]" for header, unit, _ in columns)])]
    for k, stamp in enumerate(np.datetime_as_string(stamps, unit="s")):
        lines.append(",".join([*str(stamp).split("T"), *(values[k] for values in columns.values())]))
    path.mkdir(parents=True, exist_ok=True)
    (path / "panel.csv").write_text("\n".join(lines) + "\n")


def _written(recording: Recording, name: str, fit: Fit, time_s: Floats, noise: np.random.Generator) -> list[str]:
    """A channel's samples as text, in the unit and the resolution of the column."""
    _, unit, resolution = fit.columns[name]
    values = np.asarray(sample_column(recording.holders(name)[0], name, time_s), dtype=np.float64)
    shown = np.asarray(values if unit == "deg" and name in ("latitude", "longitude") else from_si(values, unit))
    if name in fit.gusts:
        sigma, seconds = fit.gusts[name]
        shown = np.maximum(
            shown + _gusts(len(time_s), sigma, fit.step_s / seconds, noise), 0.0 if "speed" in name else -np.inf
        )
    digits = max(0, round(-np.log10(resolution) + 0.49))
    rounded = np.round(shown / resolution) * resolution
    return ["" if np.isnan(value) else f"{value:.{digits}f}" for value in rounded]


def _gusts(number: int, sigma: float, pace: float, noise: np.random.Generator) -> Floats:
    """A first-order random walk that is drawn back: standard deviation sigma, forgotten at `pace` a row."""
    kept = float(np.exp(-pace))
    kicks = noise.normal(0.0, sigma * np.sqrt(1.0 - kept * kept), number)
    out = np.zeros(number)
    for k in range(1, number):
        out[k] = kept * out[k - 1] + kicks[k]
    return out


def main(folder: Path, out: Path, names: list[str]) -> None:
    """Every sortie of the folder in every fit asked for."""
    for logs in sorted((folder / "logs").iterdir()):
        recording = read_sortie(logs, Settings())
        truth = json.loads((folder / "truth" / f"{logs.stem}.json").read_text())
        truth["recorders"].pop("discretes", None)  # nobody records gear and flap now
        for name in names:
            write_poorer(recording, FITS[name], out / name / "logs" / logs.stem, seed=len(logs.stem))
            place = out / name / "truth" / f"{logs.stem}.json"
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(json.dumps(truth))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--fit", nargs="+", choices=sorted(FITS), default=sorted(FITS))
    arguments = parser.parse_args()
    main(arguments.folder, arguments.out, arguments.fit)
