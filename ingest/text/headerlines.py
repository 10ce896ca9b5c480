"""A header cell that holds a line end inside quotes: its line put together, the lines counted as before."""

from __future__ import annotations

import numpy as np

from .mapped import Text, new_text
from .tokens import is_data_like, split_line

LOOKED_AT = 1 << 16  # bytes in which a header is looked for
MOST_LINES = 30  # of one header
_DELIMITERS = ",;\t|"


def join_header(data: Text) -> Text:
    """The text with the line ends inside its header's quotes as blanks, and as many blank lines behind the header.

    Only where the whole line has as many fields as the line below it: a quote that is never closed stays as it is.
    """
    head = bytes(data[:LOOKED_AT])
    if b'"' not in head:
        return data
    lines = head.split(b"\n")[:-1]
    odd = [line.count(b'"') % 2 for line in lines]
    first = next((i for i, is_odd in enumerate(odd) if is_odd), None)
    if first is None:
        return data
    last = next((i for i in range(first + 1, min(first + MOST_LINES, len(lines))) if odd[i]), None)
    if last is None or last + 1 >= len(lines):
        return data
    whole = b" ".join(line.rstrip(b"\r") for line in lines[first : last + 1])
    if not _is_header(whole.decode("utf-8", "replace"), lines[last + 1].rstrip(b"\r").decode("utf-8", "replace")):
        return data
    start = sum(len(line) + 1 for line in lines[:first])
    stop = start + sum(len(line) + 1 for line in lines[first : last + 1])
    out = new_text(data)
    for part in (head[:start] + whole + b"\n" * (last - first + 1), data[stop:]):
        out.append(np.frombuffer(part, np.uint8))
    return out.finish_bytes()


def _is_header(whole: str, below: str) -> bool:
    for delimiter in _DELIMITERS:
        names = split_line(whole, delimiter)
        if len(names) > 1 and len(names) == len(split_line(below, delimiter)):
            return not is_data_like(names) and is_data_like(split_line(below, delimiter))
    return False
