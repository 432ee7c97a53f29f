"""The simulated car's clock, tied to the machine's monotonic clock."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class CarClock:
    """Car time in seconds, from the machine's monotonic time in seconds.

    It stands at `start_s` until `start` is called, and then runs `speed` times as fast. The serving
    side starts it with the first Service 01 request for a value, so that no part of the drive goes
    by while a client is still finding out what is there.
    """

    speed: float = 1.0
    start_s: float = 0.0
    _started_at_s: float | None = None

    def start(self, t_s: float) -> None:
        """Let it run from `t_s` of the monotonic clock on; later calls change nothing."""
        if self._started_at_s is None:
            self._started_at_s = t_s

    def at(self, t_s: float) -> float:
        """Car time at `t_s` of the monotonic clock."""
        if self._started_at_s is None:
            return self.start_s
        return self.start_s + max(t_s - self._started_at_s, 0.0) * self.speed
