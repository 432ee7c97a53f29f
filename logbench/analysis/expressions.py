"""Arithmetic over signals as a user writes it, evaluated without Python's own `eval`; and where in
a drive a condition made of it holds: `RPM > 4000 and LOAD_PCT > 80`."""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from simpleeval import InvalidExpression, SimpleEval

from logbench.analysis.alignment import Mask, Values, interval_s, previous, runs
from logbench.analysis.grid import RecordingLike
from logbench.analysis.model import Span
from logbench.errors import SignalUnknownError, UsageError
from logbench.signals.table import table
from logbench.signals.units import METRIC, Units
from logbench.words import tr

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


# --- conditions ---

EXAMPLE = "RPM > 4000 and LOAD_PCT > 80"
_COMPARISONS: Mapping[type[ast.cmpop], Callable[[Values, Values], Mask]] = {
    ast.GtE: operator.ge, ast.LtE: operator.le, ast.Eq: operator.eq, ast.NotEq: operator.ne,
    ast.Gt: operator.gt, ast.Lt: operator.lt,
}  # fmt: skip
_OLDEST_S = 3.0
"""A value counts for at most this long, or three times its signal's usual interval."""


def find_spans(condition: str, recording: RecordingLike, units: Units = METRIC) -> tuple[Span, ...]:
    """The spans in which a condition holds, in order; its numbers are in `units`.

    A condition is comparisons of arithmetic expressions over acronyms, joined by `and` and `or`
    (`and` binds closer). Raises `UsageError` with the form, `SignalUnsupportedError` for a signal
    that the recording does not hold.
    """
    tree = _parsed(condition)
    traces = {name: recording.trace(name) for name in sorted(_names(tree))}
    t_ns = np.unique(np.concatenate([trace.t_ns for trace in traces.values()]))
    if not len(t_ns):
        return ()
    values = {}
    for name, trace in traces.items():
        usual_s = interval_s(trace)
        oldest_s = max(_OLDEST_S, 3 * usual_s if np.isfinite(usual_s) else 0.0)
        values[name] = units.array(previous(trace, t_ns, oldest_s), trace.unit)
    holds = np.broadcast_to(_holds(tree, values), len(t_ns))
    step_ns = int(np.median(np.diff(t_ns))) if len(t_ns) > 1 else 1
    return runs(holds, t_ns, max(1, step_ns))


def _parsed(condition: str) -> ast.expr:
    """As Python reads it, with `=` for equal, and words and acronyms in any case."""
    text = re.sub(r"\b(and|or)\b", lambda found: found[0].lower(), condition, flags=re.IGNORECASE)
    text = re.sub(r"(?<![<>!=])=(?!=)", "==", text.strip())
    try:
        tree = ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise _no_comparison(condition) from None
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            node.id = node.id.upper()
    return tree


def _names(tree: ast.expr) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Compare):
            continue
        sides = [side for side in (node.left, *node.comparators) if _has_name(side)]
        if not sides:
            raise UsageError(
                tr("A comparison needs a signal; write for example {example}.", example=EXAMPLE)
            )
        names.update(*(names_in(ast.unparse(side)) for side in sides))
    if not names:
        raise _no_comparison(ast.unparse(tree))
    return names


def _has_name(side: ast.expr) -> bool:
    return any(isinstance(node, ast.Name) for node in ast.walk(side))


def _holds(tree: ast.expr, values: Mapping[str, Values]) -> Mask:
    if isinstance(tree, ast.BoolOp):
        join = np.logical_and if isinstance(tree.op, ast.And) else np.logical_or
        return np.asarray(join.reduce([_holds(part, values) for part in tree.values]))
    if not isinstance(tree, ast.Compare) or len(tree.ops) > 1:
        raise _no_comparison(ast.unparse(tree))
    compare = _COMPARISONS.get(type(tree.ops[0]))
    if compare is None:
        raise _no_comparison(ast.unparse(tree))
    left, right = (evaluate(ast.unparse(side), values) for side in (tree.left, *tree.comparators))
    return np.asarray(~(np.isnan(left) | np.isnan(right)) & compare(left, right))


def _no_comparison(text: str) -> UsageError:
    return UsageError(
        tr(
            "'{text}' is no comparison; write a condition such as {example}.",
            text=text.strip(),
            example=EXAMPLE,
        )
    )
