"""A document's data and its layout -> PDF. The same input gives the same bytes; no network, no fonts of the machine."""

from __future__ import annotations

import importlib
import json
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from ...shared.errors import SettingsError
from ..listing import plain

_LAYOUTS = Path(__file__).parent.parent / "templates" / "documents"


def press(layout: str, data: Mapping[str, Any]) -> bytes:
    """PDF of a layout (a name in templates/documents) with its data. Every text of the data is text, never markup.

    Raises SettingsError when the extra `pdf` is not installed.
    """
    try:
        typst = importlib.import_module("typst")
    except ImportError:
        raise SettingsError(
            "printing needs the extra `pdf`", do='install it: pip install "trimshot[pdf]"', found="no module typst"
        ) from None
    text = json.dumps(plain({**data, "version": version("trimshot")}), ensure_ascii=False, allow_nan=False)
    pages: bytes = typst.compile(
        str(_LAYOUTS / f"{layout}.typ"),
        root=str(_LAYOUTS),
        format="pdf",
        sys_inputs={"data": text},
        ignore_system_fonts=True,
        timestamp=0,
    )
    return pages
