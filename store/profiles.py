"""Instrument profiles of the settings that belong to no recorder of the programme: a wrong fingerprint, a pattern that fits nothing."""

from __future__ import annotations

import json
from pathlib import Path

from ..ingest.profiles import claims_file
from ..shared.errors import SettingsError
from ..shared.settings import load_settings
from .connection import open_catalog
from .places import SETTINGS

_FILES = "SELECT DISTINCT file, instrument, json_extract(ledger, '$.layouts') FROM source"


def idle_profiles(programme: Path) -> list[str]:
    """Keys under `instruments` that claim no file of any sortie; none before there are sorties. Raises StoreError."""
    try:
        profiles = load_settings(programme / SETTINGS).instruments
    except SettingsError:
        return []  # told where the settings are looked at
    if not profiles:
        return []
    with open_catalog(programme) as connection:
        files = [
            (str(file), [mark, *json.loads(layouts or "[]")])
            for file, mark, layouts in connection.execute(_FILES).fetchall()
        ]
    if not files:
        return []
    return [
        key
        for key, profile in profiles.items()
        if not any(claims_file(key, profile, marks, file) for file, marks in files)
    ]
