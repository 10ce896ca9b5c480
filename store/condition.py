"""A condition: one SQL expression over channels and states, read into a tree and judged there.

DuckDB's own parser makes the tree; nothing is run before every node of it is of a kind and every
function of a name that a condition needs. So no statement, no subquery, no file is reachable.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import duckdb

from ..shared.errors import ConditionError
from ..shared.vocabulary import CHANNELS, STATES, meaning_of
from .conjuncts import Bound, find_bounds, state_test, tree_sql
from .functions import ALLOWED_FUNCTIONS, ARITHMETIC, NUMERIC
from .units import UNIT_FUNCTIONS, define_unit_functions
from .written_units import spell_units, written_place

Node = dict[str, Any]

CLOCK_NAMES = ("t", "sortie")  # of the frame's own columns, those a condition may name
LONGEST = 5000  # characters

_PREFIX = "SELECT 1 FROM frame WHERE (\n"
_SUFFIX = "\n)"
_BARE_WORD = re.compile(rf"\b({'|'.join(STATES)})\s*(?:=|==|<>|!=)\s*([a-z_]+)\b", re.IGNORECASE)
_CLASSES = {
    "CONJUNCTION": "",
    "COMPARISON": "",
    "COLUMN_REF": "",
    "CONSTANT": "",
    "FUNCTION": "",
    "OPERATOR": "",
    "BETWEEN": "",
    "CASE": "",
    "CAST": "",
    "TYPE": "",
}
_REFUSED = {
    "SUBQUERY": "a query inside the condition",
    "WINDOW": "a window function",
    "STAR": "a star",
    "LAMBDA": "a lambda",
    "PARAMETER": "a parameter",
    "COLLATE": "a collation",
}


@dataclass(frozen=True, slots=True)
class Condition:
    """A judged condition: canonical SQL, the channels it names (in order of first mention), and the words
    it compares states with.

    state_sql, bounds: what must hold of states, and of single channels, wherever the condition holds.
    bare: (channel, number) of comparisons with a number that no unit function stands around.
    """

    text: str
    sql: str
    channels: tuple[str, ...]
    words: Mapping[str, frozenset[str]] = field(default_factory=dict)
    state_sql: str | None = None
    bounds: tuple[Bound, ...] = ()
    bare: tuple[tuple[str, str], ...] = ()

    @property
    def asks_states_alone(self) -> bool:
        """Whether no sample is needed to tell where it holds."""
        return all(name in STATES or name == "sortie" for name in self.channels)


def parse_condition(connection: duckdb.DuckDBPyConnection, text: str) -> Condition:
    """Read and judge a condition; makes the unit functions it uses known to the connection.

    `flap` compared with a number is the flap angle: it is read as `flap_angle`; `95 kt` is read as `kt(95)`. Raises
    ConditionError, in one line, saying what is wrong and where.
    """
    tree = _read_tree(connection, text)
    reader = _Reader(text)
    reader.judge(tree["statements"][0]["node"]["where_clause"])
    words = {channel: frozenset(some) for channel, some in reader.words.items()}
    define_unit_functions(connection, sorted(reader.units))
    bare = tuple(reader.bare)
    condition = Condition(text, tree_sql(connection, tree), tuple(reader.channels), words, bare=bare)
    _check_types(connection, condition)
    return replace(condition, state_sql=state_test(connection, tree), bounds=find_bounds(connection, tree))


def _is_known(name: str) -> bool:
    return name in CLOCK_NAMES or meaning_of(name) is not None


def is_word_channel(name: str) -> bool:
    """Whether a column of the frame holds words."""
    entry = meaning_of(name)
    return name == "sortie" or (entry is not None and entry.is_text)


def _read_tree(connection: duckdb.DuckDBPyConnection, text: str) -> Node:
    if not text.strip():
        raise ConditionError("the condition is empty", do="write for example \"gear = 'down'\"")
    if len(text) > LONGEST or "\0" in text:
        raise ConditionError("the condition is too long or not text", allowed=f"up to {LONGEST} characters")
    try:
        sql = _PREFIX + spell_units(text) + _SUFFIX
        tree: Node = json.loads(connection.execute("SELECT json_serialize_sql(?::VARCHAR)", [sql]).fetchall()[0][0])
        if tree["error"]:
            where = _place(text, tree.get("position"))
            raise ConditionError(_first_line(tree["error_message"]), where=where, do=_hint(text, where))
        _check_statement(tree)
    except RecursionError:
        raise ConditionError("the condition is nested too deeply") from None
    except duckdb.Error as error:
        raise ConditionError("the condition cannot be read", found=_first_line(str(error))) from None
    return tree


def _check_statement(tree: Node) -> None:
    node = tree["statements"][0]["node"] if len(tree["statements"]) == 1 else {}
    plain = (
        node.get("type") == "SELECT_NODE"
        and not node["modifiers"]
        and not node["group_expressions"]
        and not node["cte_map"]["map"]
        and all(node[part] is None for part in ("having", "sample", "qualify"))
        and node["from_table"]["type"] == "BASE_TABLE"
        and node["from_table"]["sample"] is None
        and node["where_clause"]
    )
    if not plain:
        raise ConditionError("a condition is one expression, nothing around it", do="leave out everything but the test")


class _Reader:
    """Walks a condition's tree once: judges every node, collects channels and words, turns flap into its angle."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.units: set[str] = set()
        self.channels: dict[str, None] = {}
        self.words: dict[str, set[str]] = {}
        self.bare: dict[tuple[str, str], None] = {}

    def judge(self, node: Node) -> None:
        """Judge a node and everything below it."""
        kind = str(node.get("class"))
        if kind not in _CLASSES:
            raise self._error(f"{_REFUSED.get(kind, kind.lower())} is not allowed in a condition", node)
        if kind == "COLUMN_REF":
            self._name_column(node)
            return
        parts = _expressions(node)
        if kind == "FUNCTION":
            self._check_function(node)
        if kind in ("COMPARISON", "BETWEEN") or node.get("type") == "COMPARE_IN":
            self._compare(node, parts)
        elif kind == "FUNCTION" and str(node["function_name"]).lower() in ARITHMETIC | NUMERIC | UNIT_FUNCTIONS.keys():
            self._calculate(parts)
        for part in parts:
            self.judge(part)

    def _compare(self, node: Node, parts: list[Node]) -> None:
        words = [part["literal"]["text"] for part in parts if _is_word(part)]
        for part in parts:
            name = _column(part)
            if name is None:
                continue
            if name == "flap" and any(_is_number(other) for other in parts):
                part["column_names"] = ["flap_angle"]
            elif is_word_channel(name) and any(_is_number(other) for other in parts):
                raise self._error(f"{name} is a word, not a number; compare it with a word in single quotes", node)
            elif _is_known(name) and not is_word_channel(name) and words:
                raise self._error(f"{name} is a number; write its value with a unit function, not in quotes", node)
            elif name in STATES:
                self.words.setdefault(name, set()).update(words)
            self.bare.update(
                {(_column(part) or name, number): None for number in filter(None, map(_bare_number, parts))}
            )

    def _calculate(self, parts: list[Node]) -> None:
        for part in parts:
            name = _column(part)
            if name == "flap":
                part["column_names"] = ["flap_angle"]
            elif name is not None and is_word_channel(name):
                raise self._error(f"{name} is a word, it cannot be calculated with", part)

    def _name_column(self, node: Node) -> None:
        name = _column(node)
        if name is None:
            raise self._error(f"unknown name {'.'.join(node['column_names'])!r}", node)
        if not _is_known(name):
            near = difflib.get_close_matches(name, [*CHANNELS, *CLOCK_NAMES], n=4, cutoff=0.5)
            error = self._error(f"unknown channel {name!r}", node)
            if name in ("up", "down", "full", "half", "idle", "transit", "unknown"):
                raise ConditionError(error.what, where=error.where, do=f"a word stands in single quotes: '{name}'")
            hint = ", ".join(near) if near else "see the list of channels"
            raise ConditionError(error.what, where=error.where, do=f"did you mean: {hint}?")
        node["column_names"] = [name]
        self.channels.setdefault(name, None)

    def _check_function(self, node: Node) -> None:
        name = str(node["function_name"]).lower()
        if name in UNIT_FUNCTIONS:
            self.units.add(name)
        if name in UNIT_FUNCTIONS or name in ALLOWED_FUNCTIONS:
            if node.get("distinct") or node.get("filter") or node.get("schema") or node.get("catalog"):
                raise self._error(f"{name}() takes only its values", node)
            return
        if name == "row":
            raise self._error("a condition is one expression; join tests with AND or OR", node)
        names = sorted(UNIT_FUNCTIONS) + sorted(one for one in ALLOWED_FUNCTIONS if one.isalpha())
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.4)
        error = self._error(f"unknown function {name}()", node)
        hint = f"did you mean: {', '.join(near)}? " if near else ""
        hint += "`trimshot reference` lists the unit functions and what else may stand in a condition"
        raise ConditionError(error.what, where=error.where, do=hint)

    def _error(self, what: str, node: Node) -> ConditionError:
        return ConditionError(what, where=_place(self.text, node.get("query_location")))


def _expressions(node: Node) -> list[Node]:
    """The expressions directly below a node, found whatever the key they stand under."""
    out: list[Node] = []

    def collect(value: Any) -> None:
        if isinstance(value, dict):
            if "class" in value:
                out.append(value)
                return
            for one in value.values():
                collect(one)
        elif isinstance(value, list):
            for one in value:
                collect(one)

    for value in node.values():
        collect(value)
    return out


def _column(node: Node) -> str | None:
    """A bare column's name in lower case (names are not case sensitive), None for anything else."""
    if node.get("class") != "COLUMN_REF" or len(node["column_names"]) != 1:
        return None
    return str(node["column_names"][0]).lower()


def _is_word(node: Node) -> bool:
    return node.get("class") == "CONSTANT" and node["literal"]["kind"] == "STRING"


def _bare_number(node: Node) -> str | None:
    """A number written without a unit function, as text with its sign."""
    if node.get("class") != "CONSTANT" or not _is_number(node):
        return None
    return str(node["literal"]["text"])


def _is_number(node: Node) -> bool:
    kind = node.get("class")
    if kind == "CONSTANT":
        return node["literal"]["kind"] not in ("STRING", "NULL", "BOOLEAN")
    if kind == "FUNCTION":
        return str(node["function_name"]).lower() in ARITHMETIC | NUMERIC | UNIT_FUNCTIONS.keys()
    name = _column(node)
    return name is not None and name in CHANNELS and not is_word_channel(name)


def _place(text: str, position: Any) -> str | None:
    if position is None:
        return None
    at = written_place(text, max(int(position) - len(_PREFIX), 0))
    shown = text[at : at + 30].split("\n")[0]
    return f"condition, character {at + 1}" + (f" ({shown!r})" if shown else " (its end)")


def _hint(text: str, where: str | None) -> str | None:
    """What to do about a condition that cannot be read: a word without quotes, as FULL is one of SQL's own, or an end too soon."""
    bare = _BARE_WORD.search(text)
    if bare is not None:
        return f"a word stands in single quotes: {bare[1]} = '{bare[2].lower()}'"
    return "something is missing or left open at the end" if where is not None and where.endswith("(its end)") else None


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0] if text.strip() else "no reason given"


def _check_types(connection: duckdb.DuckDBPyConnection, condition: Condition) -> None:
    """Let DuckDB bind the condition to an empty frame: whatever does not fit shows before any file is read."""
    columns = ", ".join(f'"{name}" {"VARCHAR" if is_word_channel(name) else "DOUBLE"}' for name in condition.channels)
    try:
        connection.execute(f"CREATE OR REPLACE TEMP TABLE frame ({columns or 'i INTEGER'})")
        kind = connection.execute(f"DESCRIBE SELECT ({condition.sql}) FROM frame").fetchall()[0][1]
        connection.execute(f"SELECT count(*) FROM frame WHERE ({condition.sql})").fetchall()
    except duckdb.Error as error:
        raise ConditionError("the condition does not hold together", found=_first_line(str(error))) from None
    finally:
        connection.execute("DROP TABLE IF EXISTS frame")
    if kind != "BOOLEAN":
        raise ConditionError(
            "the condition is not a test", found=f"a value of type {kind}", do="compare it: <, >, =, BETWEEN"
        )
