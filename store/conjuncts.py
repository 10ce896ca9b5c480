"""The tests a condition joins with AND, looked at one by one: which ask states alone, which bound a channel.

Each must hold wherever the condition holds. So a stretch of states for which one of them fails, or a
sortie whose channel never comes between the bounds, need not be read.
"""

from __future__ import annotations

import copy
import json
import math
from dataclasses import dataclass
from typing import Any

import duckdb

from ..shared.vocabulary import STATES, meaning_of

Node = dict[str, Any]

_STATE_NAMES = (*STATES, "sortie")
_TURNED = {
    "COMPARE_GREATERTHAN": "COMPARE_LESSTHAN",
    "COMPARE_GREATERTHANOREQUALTO": "COMPARE_LESSTHANOREQUALTO",
    "COMPARE_LESSTHAN": "COMPARE_GREATERTHAN",
    "COMPARE_LESSTHANOREQUALTO": "COMPARE_GREATERTHANOREQUALTO",
    "COMPARE_EQUAL": "COMPARE_EQUAL",
}


@dataclass(frozen=True, slots=True)
class Bound:
    """Where the condition holds the channel lies in low..high, both included (SI)."""

    channel: str
    low: float
    high: float


def tree_sql(connection: duckdb.DuckDBPyConnection, tree: Node) -> str:
    """What stands after WHERE, as canonical SQL."""
    query = connection.execute("SELECT json_deserialize_sql(?::JSON)", [json.dumps(tree)]).fetchall()[0][0]
    return str(query).split(" WHERE ", 1)[1]


def state_test(connection: duckdb.DuckDBPyConnection, tree: Node) -> str | None:
    """The conjuncts that ask states alone, joined by AND, as SQL; None when there is none. The tree is judged already."""
    where = tree["statements"][0]["node"]["where_clause"]
    chosen = [one for one in _conjuncts(where) if _asks_states(one)]
    if not chosen:
        return None
    return " AND ".join(f"({tree_sql(connection, _with_where(tree, one))})" for one in chosen)


def find_bounds(connection: duckdb.DuckDBPyConnection, tree: Node) -> tuple[Bound, ...]:
    """What the conjuncts say of single channels against constants. The unit functions must be known already."""
    where = tree["statements"][0]["node"]["where_clause"]
    bounds = []
    for one in _conjuncts(where):
        for channel, kind, constant in _limits(one):
            value = _evaluate(connection, tree, constant)
            if value is not None:
                low = -math.inf if "LESS" in kind else value
                high = math.inf if "GREATER" in kind else value
                bounds.append(Bound(channel, low, high))
    return tuple(bounds)


def _conjuncts(node: Node) -> list[Node]:
    if node.get("type") == "CONJUNCTION_AND":
        return [one for child in node["children"] for one in _conjuncts(child)]
    return [node]


def _asks_states(node: Node) -> bool:
    names = _columns(node)
    return bool(names) and all(name in _STATE_NAMES for name in names)


def _columns(node: Any) -> list[str]:
    """Names of all columns below a node."""
    if isinstance(node, list):
        return [name for one in node for name in _columns(one)]
    if not isinstance(node, dict):
        return []
    if node.get("class") == "COLUMN_REF":
        return [str(node["column_names"][0])]
    return [name for one in node.values() for name in _columns(one)]


def _limits(node: Node) -> list[tuple[str, str, Node]]:
    """(channel, comparison, constant) of a comparison of one channel, written with the channel on the left."""
    kind = str(node.get("type"))
    if node.get("class") == "BETWEEN":
        pairs = [
            ("COMPARE_GREATERTHANOREQUALTO", node["input"], node["lower"]),
            ("COMPARE_LESSTHANOREQUALTO", node["input"], node["upper"]),
        ]
    elif kind in _TURNED:
        pairs = [(kind, node["left"], node["right"]), (_TURNED[kind], node["right"], node["left"])]
    else:
        return []
    return [
        (str(channel["column_names"][0]), comparison, constant)
        for comparison, channel, constant in pairs
        if channel.get("class") == "COLUMN_REF" and _is_number(channel) and not _columns(constant)
    ]


def _is_number(column: Node) -> bool:
    entry = meaning_of(str(column["column_names"][0]))
    return entry is not None and not entry.is_text


def _evaluate(connection: duckdb.DuckDBPyConnection, tree: Node, constant: Node) -> float | None:
    """A constant's value; None where it has none, or one that bounds nothing."""
    try:
        sql = tree_sql(connection, _with_where(tree, constant))
        value = connection.execute(f"SELECT CAST(({sql}) AS DOUBLE)").fetchall()[0][0]
    except duckdb.Error:
        return None  # what is wrong with it is told when the condition is run
    return float(value) if value is not None and math.isfinite(value) else None


def _with_where(tree: Node, where: Node) -> Node:
    """A copy of the tree with another test in place of its own."""
    made = copy.deepcopy({**tree, "statements": [{**tree["statements"][0]}]})
    made["statements"][0]["node"]["where_clause"] = copy.deepcopy(where)
    return made
