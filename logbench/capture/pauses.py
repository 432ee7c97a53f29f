"""Notices that this process stood still: stopped, or not let run for long.

A reply that waited meanwhile would be dated into the pause, for its time is the middle of its
request's round trip. Nobody knows when it came, so it is not used.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Self

from logbench.system.threads import Supervised

log = logging.getLogger(__name__)

TICK_S = 0.05
LEAST_S = 0.5
"""Without a tick for so long the process stood still: a busy computer takes less."""
_KEPT = 8


class Pauses:
    """The pauses of this process on a source's clock, while it is entered."""

    def __init__(self, clock: Callable[[], int]) -> None:
        """`clock`: the source's, ns."""
        self._clock = clock
        self._lock = threading.Lock()
        self._last = (time.monotonic(), clock())
        self._fresh: list[tuple[int, int]] = []
        self._kept: deque[tuple[int, int]] = deque(maxlen=_KEPT)
        self._ticks = Supervised("pauses", self._run)

    def __enter__(self) -> Self:
        self._tick()
        self._ticks.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ticks.stop()
        self._ticks.join()

    def fresh(self) -> list[tuple[int, int]]:
        """Pauses, from and to, that have not been given yet."""
        if self._ticks.alive:  # else nobody ticks but whoever asks, who may have waited for long
            self._tick()
        with self._lock:
            fresh, self._fresh = self._fresh, []
        return fresh

    def cover(self, t_ns: int) -> bool:
        """Whether a time lies in one of the latest pauses."""
        with self._lock:
            return any(start < t_ns < end for start, end in self._kept)

    def _run(self) -> None:
        while not self._ticks.stopping.wait(TICK_S):
            self._tick()

    def _tick(self) -> None:
        with self._lock:
            before_s, before_ns = self._last
            self._last = now_s, now_ns = time.monotonic(), self._clock()
            if self._ticks.alive and now_s - before_s > LEAST_S:
                log.warning("the process stood still for %.1f s", now_s - before_s)
                self._fresh.append((before_ns, now_ns))
                self._kept.append((before_ns, now_ns))
