"""Variables of a MATLAB 5 file as named arrays; structs are groups, cells and objects are listed and left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from ..array_types import NamedArray
from .elements import Unusable

LONGEST_TEXT = 2000
_NAME_KEYS = frozenset({"name", "label", "channel", "signal", "tag", "title", "blockname"})


def sort_variables(variables: dict[str, Any]) -> tuple[list[NamedArray], dict[str, str], list[str]]:
    """(arrays, text and single numbers by path, paths of what is no channel)."""
    arrays: list[NamedArray] = []
    text: dict[str, str] = {}
    left: list[str] = []
    for path, value in _flatten(variables):
        group, _, name = path.rpartition("/")
        if isinstance(value, str):
            text[path] = value[:LONGEST_TEXT]
        elif isinstance(value, Unusable):
            left.append(f"{path} ({value.kind})")
        elif value.ndim > 2 and max(value.shape) != value.size:
            left.append(f"{path} ({value.ndim} dimensions)")
        elif value.size == 1 and value.dtype.kind != "O":
            text[path] = str(value.reshape(-1)[0])
        elif value.size:
            flat = value.reshape(-1) if max(value.shape) == value.size else value
            arrays.append(NamedArray(group, name, flat, by_column="{name}(:,{column})", first=1))
    return [replace(array, unit=_unit_of(array, text)) for array in arrays], text, left


def _unit_of(array: NamedArray, text: dict[str, str]) -> str | None:
    """The unit written beside the samples ('ias.data', 'ias.unit') or under their name in a struct of units ('units.ias')."""
    if array.is_time:
        return None
    group = f"{array.group}/" if array.group else ""
    beside = [f"{group}{word}" for word in ("unit", "units", "Unit", "Units", "DataInfo/Units")] if group else []
    names = (array.name, array.group.rpartition("/")[2])
    listed = [f"{place}{word}/{name}" for place in (group, "") for word in ("units", "Units", "unit") for name in names]
    return next((text[path].strip("[]() ") for path in (*beside, *listed) if path in text), None)


def _flatten(
    variables: dict[str, Any], prefix: str = ""
) -> Iterator[tuple[str, str | Unusable | np.ndarray[Any, Any]]]:
    for name, value in variables.items():
        if isinstance(value, dict):
            yield from _flatten(value, f"{prefix}{name}/")
        elif isinstance(value, list):
            yield from _flatten(_by_name(value), f"{prefix}{name}/")
        else:
            yield f"{prefix}{name}", value


def _by_name(members: list[dict[str, Any]]) -> dict[str, Any]:
    """An array of structs as a struct of them, each under its name or label, else under its number."""
    out: dict[str, Any] = {}
    for number, member in enumerate(members, 1):
        stated = next((v for k, v in member.items() if k.lower() in _NAME_KEYS and isinstance(v, str) and v), "")
        name = stated.replace("/", "_")
        out[name if name and name not in out else f"{name}({number})"] = member
    return out
