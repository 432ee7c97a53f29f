"""Expressions computed over traces.

At a time, a signal has its sample of that time, else the last one before it, unless that is too
old; so a computed signal is the same while samples come in and afterwards. It has the times of the
signal that its expression names first.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from logbench.analysis.alignment import NS, Times, Values, previous
from logbench.analysis.expression.checked import CONSTANTS, Expression, number
from logbench.analysis.expression.grammar import OVER_TIME, Node
from logbench.car.model import Car
from logbench.errors import LogbenchError
from logbench.recording.model import Trace
from logbench.signals.catalog import COMPUTED, Catalog, Entry, catalog

Lookup = Callable[[str], Trace | None]
"""The trace of an acronym; None where there is none."""
OLDEST_S = 3.0
"""A value counts for at most this long, or three times its signal's usual interval."""
MOST_OLD_S = 60.0


def _and(a: Values, b: Values) -> Values:
    return np.where((a == 0) | (b == 0), 0.0, a * b)


def _or(a: Values, b: Values) -> Values:
    return np.where((a == 1) | (b == 1), 1.0, a + b)


_POINTWISE: Mapping[str, Callable[..., Any]] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, "/": np.true_divide, "**": np.float_power,
    "-x": np.negative, "abs": np.abs, "sqrt": np.sqrt, "log": np.log, "exp": np.exp,
    "min": np.minimum, "max": np.maximum, "and": _and, "or": _or, "not": lambda a: 1.0 - a,
    "where": lambda holds, x: np.where(holds == 1, x, np.nan),
}  # fmt: skip
"""What holds is 1, what does not 0, what is unknown NaN."""
_COMPARED: Mapping[str, Callable[..., Any]] = {
    "<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal,
    "=": np.equal, "!=": np.not_equal,
}  # fmt: skip


def constants_of(car: Car) -> dict[str, float]:
    """What an expression may know of a car, by the names of `CONSTANTS`, where it is known."""
    told = {"DISPLACEMENT": car.displacement_l, "CYLINDERS": car.cylinders}
    return {name: float(value) for name, value in told.items() if value is not None}


def held(trace: Trace, t_ns: Times) -> Values:
    """The last value at each time, unless it is too old; NaN there."""
    usual_s = trace.interval_s
    usual_s = usual_s if np.isfinite(usual_s) else 0.0
    return previous(trace, t_ns, min(max(OLDEST_S, 3 * usual_s), MOST_OLD_S))


class Evaluation:
    """Expressions over the traces of one recording or one drive so far.

    `align` places a trace at other times.
    """

    def __init__(
        self,
        trace_of: Lookup,
        constants: Mapping[str, float],
        align: Callable[[Trace, Times], Values] = held,
    ) -> None:
        self._trace_of, self._constants, self._align = trace_of, constants, align
        self._made: dict[Node, Trace] = {}

    def at(self, node: Node, t_ns: Times) -> Values:
        """Values at these times, same shape; NaN where they are not known."""
        with np.errstate(all="ignore"):
            found = np.broadcast_to(self._value(node, t_ns), t_ns.shape)
        return np.where(np.isfinite(found), found, np.nan)

    def _value(self, node: Node, t_ns: Times) -> Any:
        if node.kind == "number":
            return node.value
        if node.kind == "time":
            return t_ns / NS
        if node.kind == "name":
            return self._named(node.text, t_ns)
        if node.kind == "signal":
            trace = self._trace_of(node.text)
            return self._value(node.parts[0], t_ns) if trace is None else self._align(trace, t_ns)
        if node.kind in OVER_TIME:
            trace = self._over_time(node)
            if node.kind == "hold":
                return previous(trace, t_ns, node.parts[1].value)
            return held(trace, t_ns)
        parts = [self._value(part, t_ns) for part in node.parts]
        if node.kind == "scale":
            return node.value * parts[0] + node.offset
        if node.kind in _COMPARED:
            unknown = np.isnan(parts[0]) | np.isnan(parts[1])
            return np.where(unknown, np.nan, _COMPARED[node.kind](*parts))
        return _POINTWISE[node.kind](*parts)

    def _named(self, name: str, t_ns: Times) -> Any:
        if name in CONSTANTS:
            return self._constants.get(name, np.nan)
        trace = self._trace_of(name)
        return np.nan if trace is None else self._align(trace, t_ns)

    def times(self, node: Node, of: Literal["first", "every", "slowest"] = "first") -> Times:
        """Those of the signal that is named first, of all that are named, or of the slowest."""
        found = [self._leaf_times(leaf) for leaf in self._leaves(node)]
        if of == "every" and found:
            return np.unique(np.concatenate(found))
        if of == "slowest" and found:
            return min(found, key=len)
        return found[0] if found else np.empty(0, np.int64)

    def _leaves(self, node: Node) -> Iterator[Node]:
        """Signals and functions over time that it is made of, in the order of the text; of `where`
        the values before the condition."""
        known = node.kind == "signal" and self._trace_of(node.text) is not None
        named = node.kind == "name" and node.text not in CONSTANTS
        if known or named or node.kind in OVER_TIME:
            yield node
            return
        for part in reversed(node.parts) if node.kind == "where" else node.parts:
            yield from self._leaves(part)

    def missing(self, node: Node) -> list[str]:
        """Signals, and facts of the car by their names in an expression, that are not there."""
        if node.kind == "signal" and self._trace_of(node.text) is not None:
            return []
        if node.kind == "name":
            there = node.text in self._constants or self._trace_of(node.text) is not None
            return [] if there else [node.text]
        return list(dict.fromkeys(name for part in node.parts for name in self.missing(part)))

    def _leaf_times(self, leaf: Node) -> Times:
        if leaf.kind in ("name", "signal"):
            trace = self._trace_of(leaf.text)
            return np.empty(0, np.int64) if trace is None else trace.t_ns
        return self._over_time(leaf).t_ns if leaf.kind == "delay" else self.times(leaf.parts[0])

    def _over_time(self, node: Node) -> Trace:
        """The samples of a function of what came before."""
        if node not in self._made:
            t_ns = self.times(node.parts[0])
            made = Trace("", COMPUTED, "", t_ns, self.at(node.parts[0], t_ns))
            window_ns = round(node.parts[1].value * NS) if node.parts[1:] else 0
            self._made[node] = _over_time(node.kind, made, window_ns)
        return self._made[node]


def _over_time(kind: str, trace: Trace, window_ns: int) -> Trace:
    known = trace.part(np.isfinite(trace.value))
    if kind == "hold" or not len(known):
        return known
    if kind == "delay":
        return Trace("", COMPUTED, "", trace.t_ns + window_ns, trace.value)
    if kind == "rate":
        with np.errstate(all="ignore"):
            steps = np.diff(known.t_ns) / NS
            slopes = np.diff(known.value) / np.where(steps <= MOST_OLD_S, steps, np.nan)
        return Trace("", COMPUTED, "", known.t_ns[1:], slopes)
    import pandas as pd  # takes 0.4 s

    series = pd.Series(trace.value, index=pd.to_datetime(trace.t_ns))
    rolling = series.rolling(pd.Timedelta(window_ns, "ns"), min_periods=1)
    made = {"mean": rolling.mean, "median": rolling.median,
            "lowest": rolling.min, "highest": rolling.max}[kind]()  # fmt: skip
    return Trace("", COMPUTED, "", trace.t_ns, made.to_numpy(np.float64))


class Instant(Evaluation):
    """Expressions over the latest values of signals; what came before is not known."""

    def __init__(self, latest: Mapping[str, float]) -> None:
        super().__init__(lambda name: None, {})
        self._latest = latest

    def _named(self, name: str, t_ns: Times) -> Any:
        return self._latest.get(name, np.nan)

    def holds(self, wanted: Expression, t_ns: int) -> bool:
        """Whether a condition is known to hold at this time."""
        return bool(self.at(wanted.tree, np.array([t_ns]))[0] == 1)


# --- computed signals ---


@dataclass(frozen=True, slots=True)
class Computed:
    """A signal of the catalog with its expression, in its unit."""

    entry: Entry
    expression: Expression

    def trace(self, trace_of: Lookup, constants: Mapping[str, float]) -> Trace | None:
        """Its samples; None where something it needs is not recorded or not known."""
        tree, work = self.expression.tree, Evaluation(trace_of, constants)
        if work.missing(tree):
            return None
        t_ns = work.times(tree)
        value = work.at(tree, t_ns)
        if not np.isfinite(value).any():
            return None
        return Trace(self.entry.acronym, COMPUTED, self.entry.unit, t_ns, value)


def computed_signals() -> Mapping[str, Computed]:
    """Derived and own signals that can be computed, by acronym."""
    return _computed(catalog())[0]


def wrong_signals() -> Mapping[str, str]:
    """Own signals that cannot be computed, and why."""
    return _computed(catalog())[1]


@functools.lru_cache(maxsize=4)
def _computed(signals: Catalog) -> tuple[dict[str, Computed], dict[str, str]]:
    good: dict[str, Computed] = {}
    wrong: dict[str, str] = {}
    for entry in signals.formulas:
        try:
            good[entry.acronym] = Computed(entry, number(entry.acronym))
        except LogbenchError as error:
            wrong[entry.acronym] = str(error)
    return good, wrong
