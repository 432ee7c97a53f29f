"""Markers set by rule while recording."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from logbench.capture.messages import MarkRule
from logbench.capture.outbox import Row


class RuleWatch:
    """Follows the samples; each rule marks once when it comes true, and again after it was not.

    NaN ('not used') is no value. Of several ECUs that report a signal, the last to speak counts.
    """

    def __init__(self, rules: Iterable[MarkRule]) -> None:
        self._rules = [_State(rule) for rule in rules]
        self._wanted = frozenset(name for state in self._rules for name in state.rule.signals)
        self._latest: dict[str, float] = {}

    def feed(self, rows: Iterable[Row]) -> Iterator[tuple[int, str]]:
        """Take in samples in order of time; yields time and text of each new marker."""
        if not self._wanted:
            return
        for signal, _, t_ns, value in rows:
            if signal not in self._wanted or math.isnan(value):
                continue
            self._latest[signal] = value
            for state in self._rules:
                if signal in state.rule.signals and state.step(self._latest, t_ns):
                    yield t_ns, state.rule.text

    def restart(self) -> None:
        """Other signals come from now on: what the old ones said last holds no longer."""
        self._latest.clear()

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        for state in self._rules:
            state.shift(by_ns)


class _State:
    def __init__(self, rule: MarkRule) -> None:
        self.rule = rule
        self._since_ns: int | None = None
        self._marked = False
        self._ready = rule.after_above is None

    def step(self, latest: dict[str, float], t_ns: int) -> bool:
        """True at the moment when a marker is due."""
        if not self._out(latest):
            self._since_ns, self._marked = None, False
            return False
        if not self._ready:
            return False
        if self._since_ns is None:
            self._since_ns = t_ns
        if self._marked or t_ns - self._since_ns < self.rule.for_s * 1e9:
            return False
        self._marked = True
        self._ready = self.rule.after_above is None
        return True

    def shift(self, by_ns: int) -> None:
        """Another t = 0."""
        if self._since_ns is not None:
            self._since_ns -= by_ns

    def _out(self, latest: dict[str, float]) -> bool:
        if not all(name in latest for name in self.rule.signals):
            return False
        total = sum(latest[name] for name in self.rule.signals)
        if self.rule.after_above is not None and total > self.rule.after_above:
            self._ready = True
        too_high = self.rule.above is not None and total > self.rule.above
        return too_high or (self.rule.below is not None and total < self.rule.below)
