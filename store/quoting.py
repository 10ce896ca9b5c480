"""Names and texts inside SQL, for the few places that take no bound parameter."""

from __future__ import annotations


def quote_text(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def quote_name(name: str) -> str:
    """A column's or table's name as SQL takes it, whatever it holds."""
    return '"' + name.replace('"', '""') + '"'
