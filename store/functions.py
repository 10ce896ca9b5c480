"""What a condition may call besides the unit functions: a closed list of harmless scalar functions."""

from __future__ import annotations

import re

ARITHMETIC = frozenset({"+", "-", "*", "/", "//", "%", "**", "^"})
NUMERIC = frozenset(
    re.findall(
        r"\w+",
        """abs acos asin atan atan2 cbrt ceil ceiling cos degrees exp floor fmod ln log log10 log2 mod pi pow power
    radians round sign sin sqrt tan trunc greatest least isnan isfinite""",
    )
)
WORDY = frozenset({"~~", "!~~", "~~*", "!~~*", "lower", "upper", "contains", "starts_with", "ends_with", "prefix"})
EITHER = frozenset({"nullif", "ifnull", "if"})

ALLOWED_FUNCTIONS = ARITHMETIC | NUMERIC | WORDY | EITHER
