"""The sheet of the points to fly next."""

from __future__ import annotations

from .coverage_sheet import run_next as run

__all__ = ["run"]
