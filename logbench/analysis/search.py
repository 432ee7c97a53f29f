"""Where in a drive a condition holds: `RPM > 4000 and LOAD_PCT > 80`."""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable, Mapping

import numpy as np

from logbench.analysis.alignment import Mask, Values, interval_s, previous, runs
from logbench.analysis.expressions import evaluate, names_in
from logbench.analysis.grid import RecordingLike
from logbench.analysis.model import Span
from logbench.errors import UsageError
from logbench.signals.units import METRIC, Units
from logbench.words import tr

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
