"""How often this process was kept from running: a busy machine is not a fault of the recorder."""

from __future__ import annotations

import threading
import time
from typing import Self

_NAP_S = 0.01
_LEAST_S = 0.003


class Stalls:
    """Sleeps, and notices how late it wakes, while its context lasts."""

    def __init__(self) -> None:
        self.found: list[tuple[float, float]] = []
        """When it should have woken, and how much later it did."""
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._ended.is_set():
            due_s = time.monotonic() + _NAP_S
            time.sleep(_NAP_S)
            if (late_s := time.monotonic() - due_s) > _LEAST_S:
                self.found.append((due_s, late_s))

    def longest_s(self, at_s: float) -> float:
        """Of those within a second of `at_s`."""
        near = (late_s for due_s, late_s in self.found if abs(due_s - at_s) < 1)
        return max(near, default=0.0)

    def share(self, from_s: float, to_s: float) -> float:
        """Of a time."""
        lost_s = sum(late_s for due_s, late_s in self.found if from_s <= due_s <= to_s)
        return lost_s / max(to_s - from_s, _NAP_S)
