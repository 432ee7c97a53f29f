"""Arithmetic over signals as a user writes it, evaluated without Python's own `eval`."""

from __future__ import annotations

import ast
import operator
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from simpleeval import InvalidExpression, SimpleEval

from logbench.analysis.alignment import Values
from logbench.errors import SignalUnknownError, UsageError
from logbench.signals.table import table

MOST_CHARACTERS = 400

_OPERATORS: dict[type[ast.AST], Callable[..., Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: np.true_divide,
    ast.Pow: np.float_power,
    ast.USub: operator.neg,
    ast.UAdd: operator.pos,
}
_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "abs": np.abs,
    "sqrt": np.sqrt,
    "log": np.log,
    "exp": np.exp,
    "min": np.minimum,
    "max": np.maximum,
}
_ALLOWED = (ast.Expression, ast.BinOp, ast.UnaryOp, ast.Call, ast.Name, ast.Constant, ast.Load)


def names_in(expression: str) -> tuple[str, ...]:
    """The acronyms that an expression uses, in the order of their first appearance.

    `UsageError` where it is no arithmetic over signals of the table: anything but numbers,
    acronyms, + - * / **, brackets, and abs, sqrt, log, exp, min(a, b), max(a, b).
    """
    tree = _parse(expression)
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    names = [
        node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and id(node) not in called
    ]
    for name in names:
        try:
            table().by_acronym(name)
        except SignalUnknownError as error:
            raise UsageError(f"'{expression}': {error}") from None
    if not names:
        raise UsageError(f"'{expression}' uses no signal; write for example SHRTFT1 + LONGFT1.")
    return tuple(sorted(set(names), key=lambda name: (expression.index(name), name)))


def evaluate(expression: str, values: Mapping[str, Values]) -> Values:
    """The expression over arrays of one shape, one an acronym; NaN and infinities become NaN.

    `UsageError` as in `names_in`, and for a function called with the wrong number of arguments.
    """
    tree = _parse(expression)
    names: dict[str, Any] = dict(values)
    machine = SimpleEval(operators=_OPERATORS, functions=_FUNCTIONS, names=names)
    try:
        with np.errstate(all="ignore"):
            found = np.asarray(machine.eval(expression, previously_parsed=tree.body), np.float64)
    except (InvalidExpression, TypeError, ValueError) as error:
        raise UsageError(f"'{expression}' cannot be computed: {error}.") from error
    return np.where(np.isfinite(found), found, np.nan)


def _parse(expression: str) -> ast.Expression:
    if len(expression) > MOST_CHARACTERS:
        raise UsageError(f"An expression may have {MOST_CHARACTERS} characters at most.")
    try:
        tree = ast.parse(expression.strip(), mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise UsageError(f"'{expression}' is no arithmetic expression.") from None
    for node in ast.walk(tree):
        known = isinstance(node, (*_ALLOWED, *_OPERATORS))
        if isinstance(node, ast.Constant):
            known = type(node.value) in (int, float)
        if isinstance(node, ast.Call):
            known = isinstance(node.func, ast.Name) and node.func.id in _FUNCTIONS
            known = known and not node.keywords
        if not known:
            raise UsageError(
                f"'{expression}' holds more than numbers, acronyms, + - * / **, brackets and"
                f" {', '.join(_FUNCTIONS)}."
            )
    return tree
