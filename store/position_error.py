"""The airspeed calibration written back into settings.toml, comments and all else left as they stand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ..shared.errors import SettingsError
from ..shared.settings import parse_settings
from ..shared.units import from_si
from .places import SETTINGS
from .textfile import write_text


def write_position_error(programme: Path, rows: Sequence[tuple[float, float]], *, unit: str) -> int:
    """Put (indicated, correction) [m/s] rows in place of aircraft.position_error; `unit` they are written in.

    Rows of one gear or flap setting stay. Returns how many rows stood there before. Raises SettingsError.
    """
    path = programme / SETTINGS
    text = path.read_text(encoding="utf-8-sig")
    try:
        document = tomlkit.parse(text)
        aircraft = document.setdefault("aircraft", tomlkit.table())
        before = list(aircraft.get("position_error", ()))
        kept = [row for row in before if "gear" in row or "flap" in row]
        table = tomlkit.aot()
        for row in kept:
            table.append(tomlkit.item(dict(row)))
        for indicated, correction in rows:
            table.append(tomlkit.item({"indicated": _text(indicated, unit), "correction": _text(correction, unit)}))
        aircraft.pop("position_error", None)
        aircraft["position_error"] = table
        changed = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise SettingsError(
            "the calibration cannot be written into the settings", where=str(path), found=str(error)
        ) from None
    parse_settings(changed, str(path))
    write_text(path, changed)
    return len(before) - len(kept)


def _text(value: float, unit: str) -> str:
    return f"{float(from_si(value, unit)):.2f} {unit}"
