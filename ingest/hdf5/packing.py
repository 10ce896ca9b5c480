"""Packed numbers of a dataset unpacked as its attributes say: fill values, scale and offset."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..tables import as_floats

_FILLS = ("_fillvalue", "missing_value", "fill_value", "fillvalue", "nodata")
_STATED = (("scale_factor",), ("add_offset",))  # climate and forecast conventions, 8.1
_COMMON = (("scale", "gain", "factor", "slope", "lsb", "resolution"), ("offset", "bias", "intercept"))


def unpack(values: NDArray[Any], attributes: Mapping[str, Any]) -> NDArray[np.float64]:
    """Numbers with their fill value missing, scaled. Other words than those of the conventions count for integers only:
    a scale beside numbers with a point may have been applied already."""
    found = {key.lower(): number for key, value in attributes.items() if (number := _number(value)) is not None}
    out = as_floats(values)
    for key in _FILLS:
        if key in found:
            out = np.where(out == found[key], np.nan, out)
    integers = values.dtype.kind in "iu"
    scales, offsets = (stated + (common if integers else ()) for stated, common in zip(_STATED, _COMMON, strict=True))
    scale, offset = (next((found[key] for key in keys if key in found), None) for keys in (scales, offsets))
    out = out if scale is None else _times(out, scale)
    return out if offset is None else out + offset


def _times(values: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """A division by a whole number loses less than a product with its inverse."""
    inverse = round(1 / scale) if scale else 0
    return values / inverse if inverse and 0 < scale < 1 and abs(inverse * scale - 1) < 1e-12 else values * scale


def _number(value: Any) -> float | None:
    """An attribute of one number."""
    if isinstance(value, np.ndarray | np.generic) and np.size(value) == 1 and np.asarray(value).dtype.kind in "iuf":
        return float(np.reshape(value, -1)[0])
    return None
