"""The settings file of a new programme: everything there is to set, as commented examples."""

from __future__ import annotations

import re
from pathlib import Path

from ..shared.settings import PointCriteria
from ..shared.units import from_si

_FILE = Path(__file__).with_name("settings_template.toml")
_DEFAULT = re.compile(r"^#(\w+) = (\"?)\{\}( [^\"]+)?\2$", re.MULTILINE)


def settings_text() -> str:
    """The template, the point criteria's values in use filled in (the file has `{}` in their place)."""
    return _DEFAULT.sub(_fill, _FILE.read_text(encoding="utf-8"))


def _fill(found: re.Match[str]) -> str:
    key, quote, unit = found.groups()
    value = float(getattr(PointCriteria(), key))
    shown = from_si(value, unit.strip()) if unit else value
    return f"#{key} = {quote}{shown:.10g}{unit or ''}{quote}"
