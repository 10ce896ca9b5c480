"""Datasets of an HDF5 file as named arrays: attributes for units, names, packing and rates; MATLAB's conventions."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from ..archive import MOST_RATIO
from ..array_types import NamedArray
from ..text.timecolumns import TIME_WORDS, words_of
from .packing import unpack

MOST_OBJECTS = 20_000
LONGEST_TEXT = 2000
FLOOR_BYTES = 1 << 28
_UNIT_KEYS = ("unit", "units", "uom")
_NAME_KEYS = ("columns", "column_names", "names", "labels", "fields", "channels", "channel_names")
_OWN_NAME_KEYS = ("name", "channel_name", "label", "long_name", "title", "signal", "parameter")
_NUMBERED = re.compile(r"(?i)(?:ch|chan|channel|data|dataset|ds|signal|sig|column|col|var|sensor|item)?[ _-]*\d+")
_RATE_KEYS = ("sample_rate", "sampling_rate", "sampling_frequency", "sample_rate_hz", "rate", "rate_hz", "fs")
_STEP_KEYS = (
    "dt",
    "interval",
    "sample_interval",
    "sampling_interval",
    "sample_period",
    "period",
    "increment",
    "wf_increment",
)
_SINCE = re.compile(r"(?i)^\s*(\w+)\s+since\s+(.+)$")  # climate and forecast conventions, section 4.4


@dataclass
class Content:
    """What a file holds: arrays, text around them, and what was left out, with the reason."""

    arrays: list[NamedArray] = field(default_factory=list)
    text: dict[str, str] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)


def read_content(file: h5py.File, *, is_matlab: bool) -> Content:
    """Everything of the file that can be a channel or says something about one."""
    content = Content()
    _keep_attributes(file, "", content)
    rates = {"": _rate_of(_attributes(file))}
    for number, (path, item) in enumerate(_items(file)):
        if number >= MOST_OBJECTS:
            content.left.append(f"everything after the first {MOST_OBJECTS} objects")
            break
        if path.startswith("#"):  # MATLAB's store of cells and objects
            continue
        if item is None:
            content.left.append(f"{path} (a link to another file)")
            continue
        if isinstance(item, h5py.Group):
            _keep_attributes(item, path, content)
            rates[path] = _rate_of(_attributes(item)) or rates.get(path.rpartition("/")[0])
        else:
            _read_dataset(item, path, content, is_matlab=is_matlab)
    _count_rows(content, rates)
    return content


def _count_rows(content: Content, rates: Mapping[str, float | None]) -> None:
    """A count of seconds for groups without a time, where their attributes or those above state the rate."""
    timed = {array.group for array in content.arrays if array.is_time}
    lengths: dict[str, set[int]] = {}
    for array in content.arrays:
        if array.values.dtype.kind in "biuf":
            lengths.setdefault(array.group, set()).add(len(array.values))
    for group, seconds in rates.items():
        above = {"", *(f"{group}/"[:end] for end, mark in enumerate(f"{group}/") if mark == "/")}
        if seconds is not None and not above & timed:
            content.arrays += [_counted(group, length, seconds) for length in sorted(lengths.get(group, ()))]


def _counted(group: str, length: int, seconds: float) -> NamedArray:
    return NamedArray(group, "time", np.round(np.arange(length) * seconds, 9), "s")


def _items(group: h5py.Group, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Groups and datasets under a group in the order of their names; None for a link into another file; others are left out."""
    for name in group:
        path, link = f"{prefix}{name}", group.get(name, getlink=True).__class__
        if link is h5py.ExternalLink and name.isprintable():
            yield path, None
        if not name.isprintable() or link is not h5py.HardLink:
            continue
        item = group[name]
        if isinstance(item, h5py.Group | h5py.Dataset):
            yield path, item
        if isinstance(item, h5py.Group):
            yield from _items(item, f"{path}/")


def _keep_attributes(item: Any, path: str, content: Content) -> None:
    for key, value in _attributes(item).items():
        text, words = _text(value), _words(value)
        if text:
            content.text[f"{path}: {key}" if path else key] = text[:LONGEST_TEXT]
        if len(words) > 1 and key.lower() in (*_NAME_KEYS, *_UNIT_KEYS):
            content.arrays.append(NamedArray(path, key, np.array(words, dtype=object)))


def is_elsewhere(item: h5py.Dataset) -> bool:
    """True for samples kept in other files (external storage, virtual datasets): a stranger's file names any path it likes."""
    return bool(item.external) or item.is_virtual


def is_never_written(item: h5py.Dataset) -> bool:
    """True for a dataset declared far larger than what the file holds of it: reading fills the memory with nothing."""
    size = item.size * item.dtype.itemsize
    return bool(size > FLOOR_BYTES and size > MOST_RATIO * max(1, item.id.get_storage_size()))


def _attributes(item: Any) -> dict[str, Any]:
    out = {}
    for key in item.attrs:
        if not key.isprintable():  # a damaged name
            continue
        try:
            out[key] = item.attrs[key]
        except (OSError, TypeError, ValueError, RuntimeError, KeyError):
            continue  # an attribute of a type h5py does not know says nothing to us
    return out


def _text(value: Any) -> str | None:
    """One attribute or scalar as text; None for arrays of several."""
    if isinstance(value, np.ndarray):
        if value.size != 1:
            return None
        value = value.reshape(-1)[0]
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip("\0 ")
    if isinstance(value, str | int | float | np.generic):
        return str(value).encode("utf-8", "replace").decode().strip("\0 ")  # h5py hands out damaged bytes as surrogates
    return None


def _words(value: Any) -> tuple[str, ...]:
    """An attribute that lists words, as an array or separated by commas."""
    if isinstance(value, str | bytes):
        text = _text(value) or ""
        return tuple(part.strip() for part in text.split(",")) if "," in text else ()
    if isinstance(value, np.ndarray) and value.ndim == 1 and value.dtype.kind in "SUO":
        return tuple(_text(v) or "" for v in value)
    return ()


def _first(attributes: Mapping[str, Any], keys: tuple[str, ...]) -> Any:
    folded = {key.lower(): value for key, value in attributes.items()}
    return next((folded[key] for key in keys if key in folded), None)


def _read_dataset(item: h5py.Dataset, path: str, content: Content, *, is_matlab: bool) -> None:
    attributes = _attributes(item)
    group, _, name = path.rpartition("/")
    if is_matlab:
        _read_matlab(item, attributes, group, name, content)
        return
    if set(words_of(name)) & TIME_WORDS or _rate_of(attributes) is not None:
        _keep_attributes(item, path, content)
    if item.shape is None or (item.dtype.hasobject and h5py.check_string_dtype(item.dtype) is None):
        content.left.append(f"{path} (references or nothing)")
    elif item.size == 0:
        content.left.append(f"{path} (empty)")
    elif item.ndim == 0 or item.size == 1:
        text = _text(item[()])
        if text:
            content.text[path] = text[:LONGEST_TEXT]
        if text and item.ndim == 1 and item.dtype.kind in "SO":
            content.arrays.append(NamedArray(group, name, np.array([text], dtype=object)))
    elif item.dtype.names:
        _read_compound(item, attributes, path, content)
    elif is_elsewhere(item):
        content.left.append(f"{path} (its samples lie in another file)")
    elif is_never_written(item):
        content.left.append(f"{path} (declared with {item.size} samples that are not there)")
    elif item.dtype.kind in "biufSO" and (item.ndim <= 2 or max(item.shape) == item.size):
        content.arrays += _with_rate(_named(item, attributes, group, name, content), attributes)
    else:
        content.left.append(f"{path} ({item.ndim} dimensions of {item.dtype})")


def _named(item: h5py.Dataset, attributes: Mapping[str, Any], group: str, name: str, content: Content) -> NamedArray:
    """A plain dataset: packed numbers unpacked, 'days since ...' taken apart."""
    values = item.asstr()[()] if item.dtype.kind == "O" else item[()]
    names_of_states = h5py.check_enum_dtype(item.dtype)
    if names_of_states and set(names_of_states) != {"FALSE", "TRUE"}:
        words = {code: word for word, code in names_of_states.items()}
        values = np.array([words.get(code) for code in values.reshape(-1).tolist()], dtype=object).reshape(values.shape)
    elif values.dtype.kind in "biuf":
        values = unpack(values, attributes)
    if values.ndim > 1 and max(values.shape) == values.size:  # a vector, whatever its dimensions
        values = values.reshape(-1)
    if _NUMBERED.fullmatch(name):
        name = _text(_first(attributes, _OWN_NAME_KEYS)) or name
    stated = _first(attributes, _UNIT_KEYS)
    unit = _text(stated) if stated is not None else None
    since = _SINCE.match(unit or "")
    if since:
        unit = since[1]
        zoned = re.search(r"(?i)(z|utc|gmt|[+-]\d{1,2}:?\d{2})\s*$", since[2])
        content.text.setdefault("start", since[2].strip() + ("" if zoned else " UTC"))  # the conventions' default
    units = _words(stated) if values.ndim == 2 else ()
    names = _words(_first(attributes, _NAME_KEYS)) if values.ndim == 2 else ()
    if names and len(names) == values.shape[0] != values.shape[1]:
        values = values.T
    return NamedArray(group, name, values, unit, names, units)


def _with_rate(array: NamedArray, attributes: Mapping[str, Any]) -> list[NamedArray]:
    """The array, with a count of seconds beside it where an attribute states the rate or the step."""
    seconds = _rate_of(attributes)
    if seconds is None or array.is_time:
        return [array]
    group = f"{array.group}/{array.name}" if array.group else array.name
    return [_counted(group, len(array.values), seconds), replace(array, group=group)]


def _rate_of(attributes: Mapping[str, Any]) -> float | None:
    """Seconds from sample to sample, where an attribute states the rate or the step."""
    rate, step = (_positive(_first(attributes, keys)) for keys in (_RATE_KEYS, _STEP_KEYS))
    return step if step is not None else 1.0 / rate if rate is not None else None


def _positive(value: Any) -> float | None:
    text = _text(value) if value is not None else None
    try:
        number = float(text) if text else 0.0
    except ValueError:
        return None
    return number if 0 < number < 1e9 else None


def _read_compound(item: h5py.Dataset, attributes: Mapping[str, Any], path: str, content: Content) -> None:
    """A table of records: every plain field is a column."""
    if item.ndim != 1:
        content.left.append(f"{path} (records in {item.ndim} dimensions)")
        return
    records, units = item[()], _words(_first(attributes, _UNIT_KEYS))
    for position, name in enumerate(records.dtype.names):
        values = records[name]
        stated = _text(attributes.get(f"FIELD_{position}_UNITS")) if f"FIELD_{position}_UNITS" in attributes else None
        unit = stated or (units[position] if position < len(units) else None)
        if values.dtype.kind in "biufSU" and values.ndim <= 2:
            content.arrays.append(NamedArray(path, name, values, unit))
        elif values.dtype.kind == "O" and values.ndim == 1:
            words = [v.decode("utf-8", "replace") if isinstance(v, bytes) else None for v in values]
            content.arrays.append(NamedArray(path, name, np.array(words, dtype=object), unit))
        else:
            content.left.append(f"{path}/{name} ({values.dtype})")


def _read_matlab(item: h5py.Dataset, attributes: Mapping[str, Any], group: str, name: str, content: Content) -> None:
    """A MATLAB variable: dimensions in reverse order, text as numbers, an empty one as its dimensions."""
    kind = _text(attributes.get("MATLAB_class", b"")) or ""
    path = f"{group}/{name}" if group else name
    if "MATLAB_empty" in attributes or item.shape is None:
        return
    if kind == "char":
        content.text[path] = _characters(item[()])[:LONGEST_TEXT]
    elif kind == "cell" and item.size <= MOST_OBJECTS and (words := _cell_words(item)) is not None:
        content.arrays.append(NamedArray(group, name, words))
    elif item.dtype.kind not in "biuf" or item.ndim > 2:
        content.left.append(f"{path} ({kind or item.dtype})")
    elif item.size == 1:
        content.text[path] = str(item[()].reshape(-1)[0])
    else:
        values = item[()].T
        if 1 in values.shape:
            values = values.reshape(-1)
        content.arrays.append(NamedArray(group, name, values, by_column="{name}(:,{column})", first=1))


def _cell_words(item: h5py.Dataset) -> NDArray[np.object_] | None:
    """A cell array of text as words, through its references; None for other cells."""
    words = []
    for reference in item[()].reshape(-1):
        target = item.file[reference] if isinstance(reference, h5py.Reference) and reference else None
        if not isinstance(target, h5py.Dataset) or _text(target.attrs.get("MATLAB_class", b"")) != "char":
            return None
        words.append("" if "MATLAB_empty" in target.attrs else _characters(target[()]))
    return np.array(words, dtype=object)


def _characters(codes: NDArray[Any]) -> str:
    """MATLAB text: 16-bit codes in columns; rows are joined by line feeds."""
    if codes.dtype.kind not in "iu":
        return ""
    rows = np.atleast_2d(codes).T.astype("<u2")
    return "\n".join(row.tobytes().decode("utf-16-le", "replace").strip("\0 ") for row in rows)
