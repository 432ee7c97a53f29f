"""How long an adapter that cannot learn it is told to wait for replies."""

from __future__ import annotations

import math

_STEP_S = 0.004
_USUAL_STEPS = 0x32
_MARGIN_S = 0.008
_SEEN = 12
"""Replies before the wait is told, or told anew."""


class Wait:
    """How long an adapter waits for a reply or a further one, in its steps of 4 ms."""

    def __init__(self) -> None:
        self.learned_by_adapter = True
        self._steps = _USUAL_STEPS
        self._slowest_s = self._before_s = 0.0
        self._seen = 0

    @property
    def told(self) -> bool:
        """It is another than an adapter's own."""
        return self._steps != _USUAL_STEPS

    @property
    def command(self) -> str:
        """What sets it."""
        return f"ATST{self._steps:02X}"

    def take(self, reply_s: float, longest_s: float) -> bool:
        """A reply took `reply_s`, where the standard allows ECUs `longest_s`: whether the wait is
        now another. Never shorter than allowed, and a fifth longer than the slowest of late."""
        self._slowest_s = max(self._slowest_s, reply_s)
        self._seen += 1
        if self.learned_by_adapter or self._seen % _SEEN:
            return False
        wait_s = max(longest_s, 1.2 * max(self._slowest_s, self._before_s) + _MARGIN_S)
        self._slowest_s, self._before_s = 0.0, self._slowest_s
        steps = min(_USUAL_STEPS, math.ceil(wait_s / _STEP_S))
        changed, self._steps = steps != self._steps, steps
        return changed
