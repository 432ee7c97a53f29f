"""Expressions as SQL: what is computed of the values of one instant; NULL is what is not known.

Functions over time look at samples before, and are computed from traces.
"""

from __future__ import annotations

from collections.abc import Callable

from logbench.analysis.expression.checked import CONSTANTS
from logbench.analysis.expression.grammar import Node

Named = Callable[[Node], str | None]
"""The SQL of a signal, measured (`name`) or computed (`signal`, with what it is made of as its
part); None: of a computed one, what it is made of is taken."""

_BETWEEN = {
    **{sign: sign for sign in ("<", "<=", ">", ">=", "=", "+", "-", "*")},
    "!=": "<>", "and": "AND", "or": "OR",
}  # fmt: skip
_FORMS = {
    "/": "({0} / nullif({1}, 0))",
    "**": "nullif(nullif(pow({0}, {1}), 'nan'::DOUBLE), 'inf'::DOUBLE)",
    "-x": "(-{0})", "not": "(NOT {0})", "abs": "abs({0})",
    "sqrt": "(CASE WHEN {0} >= 0 THEN sqrt({0}) END)",
    "log": "(CASE WHEN {0} > 0 THEN ln({0}) END)",
    "exp": "nullif(exp({0}), 'inf'::DOUBLE)",
    "min": "(CASE WHEN {0} < {1} THEN {0} WHEN {1} <= {0} THEN {1} END)",
    "max": "(CASE WHEN {0} > {1} THEN {0} WHEN {1} >= {0} THEN {1} END)",
    "where": "(CASE WHEN {0} THEN {1} END)",
}  # fmt: skip


def sql_of_node(node: Node, named: Named, time: str) -> str | None:
    """A checked expression; None where a function over time stands in it. `time`: SQL of the
    seconds since the recording's start. The car's facts are columns of `r`."""
    if node.kind == "number":
        return f"{node.value!r}::DOUBLE"
    if node.kind == "time":
        return time
    if node.kind == "name" and node.text in CONSTANTS:
        return {"DISPLACEMENT": "r.displacement_l", "CYLINDERS": "r.cylinders::DOUBLE"}[node.text]
    if node.kind == "name":
        return named(node)
    if node.kind == "signal":
        return named(node) or sql_of_node(node.parts[0], named, time)
    parts = [sql_of_node(part, named, time) for part in node.parts]
    if None in parts:
        return None
    if node.kind == "scale":
        return f"({node.value!r} * {parts[0]} + {node.offset!r})"
    if node.kind in _BETWEEN:
        return f"({parts[0]} {_BETWEEN[node.kind]} {parts[1]})"
    return _FORMS[node.kind].format(*parts) if node.kind in _FORMS else None
