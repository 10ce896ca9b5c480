"""Finding codes: the table is closed, and every code used in the program stands in it."""

import ast
import re
from pathlib import Path

import trimshot
from trimshot.shared.codes import CODES

PACKAGE = Path(str(trimshot.__file__)).parent


def codes_used() -> dict[str, str]:
    """Code -> file, of every literal first argument (or `code=`) of a Finding in the five package folders."""
    found: dict[str, str] = {}
    for path in sorted(PACKAGE.glob("*/**/*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding"):
                continue
            given = [*node.args[:1], *(k.value for k in node.keywords if k.arg == "code")]
            found |= {c.value: path.name for c in given if isinstance(c, ast.Constant) and isinstance(c.value, str)}
    return found


def test_codes_are_words_with_a_meaning() -> None:
    for code, meaning in CODES.items():
        assert re.fullmatch(r"[A-Z][A-Z0-9_]*", code)
        assert len(meaning) > 10


def test_every_code_used_is_in_the_table() -> None:
    used = codes_used()
    assert used, "no Finding was seen at all: the search is broken"
    assert {code: where for code, where in used.items() if code not in CODES} == {}
