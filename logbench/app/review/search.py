"""Where in a drive a condition holds: `RPM > 4000 and LOAD_PCT > 80`."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import Values, interval_s, previous, runs
from logbench.analysis.expressions import evaluate, names_in
from logbench.analysis.grid import RecordingLike
from logbench.analysis.model import Span
from logbench.errors import UsageError
from logbench.signals.units import METRIC, Units
from logbench.words import tr

Mask = npt.NDArray[np.bool_]
Compare = Callable[[Values, Values], Mask]

_COMPARISONS: Mapping[str, Compare] = {
    ">=": operator.ge, "<=": operator.le, "==": operator.eq, "!=": operator.ne,
    ">": operator.gt, "<": operator.lt, "=": operator.eq,
}  # fmt: skip
_SPLIT = re.compile(r"(>=|<=|==|!=|>|<|=)")
_OR = re.compile(r"\bor\b", re.IGNORECASE)
_AND = re.compile(r"\band\b", re.IGNORECASE)
EXAMPLE = "RPM > 4000 and LOAD_PCT > 80"
_OLDEST_S = 3.0
"""A value counts for at most this long, or three times its signal's usual interval."""


def find_spans(condition: str, recording: RecordingLike, units: Units = METRIC) -> tuple[Span, ...]:
    """The spans in which a condition holds, in order; its numbers are in `units`.

    A condition is comparisons of arithmetic expressions over acronyms, joined by `and` and `or`
    (`and` binds closer). Raises `UsageError` with the form, `SignalUnsupportedError` for a signal
    that the recording does not hold.
    """
    terms = [[_comparison(c) for c in _AND.split(part)] for part in _OR.split(condition)]
    names = sorted({n for term in terms for c in term for n in _names(c)})
    traces = {name: recording.trace(name) for name in names}
    t_ns = np.unique(np.concatenate([trace.t_ns for trace in traces.values()]))
    if not len(t_ns):
        return ()
    values = {
        name: previous(trace, t_ns, max(_OLDEST_S, 3 * _finite(interval_s(trace))))
        for name, trace in traces.items()
    }
    values = {name: units.array(found, traces[name].unit) for name, found in values.items()}
    holds = np.zeros(len(t_ns), bool)
    for term in terms:
        every = np.ones(len(t_ns), bool)
        for left, compare, right in term:
            every &= _holds(_value(left, values, t_ns), compare, _value(right, values, t_ns))
        holds |= every
    step_ns = int(np.median(np.diff(t_ns))) if len(t_ns) > 1 else 1
    return runs(holds, t_ns, max(1, step_ns))


Comparison = tuple[str, Compare, str]


def _comparison(text: str) -> Comparison:
    parts = [part.strip() for part in _SPLIT.split(text)]
    if len(parts) != 3 or not all(parts):
        raise UsageError(
            tr(
                "'{text}' is no comparison; write a condition such as {example}.",
                text=text.strip(),
                example=EXAMPLE,
            )
        )
    return parts[0].upper(), _COMPARISONS[parts[1]], parts[2].upper()


def _names(comparison: Comparison) -> tuple[str, ...]:
    sides = [side for side in (comparison[0], comparison[2]) if not _is_number(side)]
    if not sides:
        raise UsageError(
            tr("A comparison needs a signal; write for example {example}.", example=EXAMPLE)
        )
    return tuple(name for side in sides for name in names_in(side))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _value(side: str, values: Mapping[str, Values], t_ns: npt.NDArray[np.int64]) -> Values:
    if _is_number(side):
        return np.full(len(t_ns), float(side))
    return evaluate(side, values)


def _holds(left: Values, compare: Compare, right: Values) -> Mask:
    known = ~(np.isnan(left) | np.isnan(right))
    return known & compare(left, right)


def _finite(seconds: float) -> float:
    return seconds if np.isfinite(seconds) else 0.0
