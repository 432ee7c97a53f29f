"""How much may be asked of the second screen, and how often."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

MOST_SCREENS = 4
MOST_CONNECTIONS = 24
"""At a time, with those that have not said yet what they want."""
OPENING_S = 5.0
"""For a request to be complete."""
STALLED_S = 5.0
"""A screen that takes nothing for so long is dropped."""
MOST_HELD = 16
"""Messages that wait for a screen, beside its newest values."""
_PEERS = 256


class Budget:
    """So many at once, and so many a second in the long run."""

    def __init__(self, burst: float, per_s: float, now_s: Callable[[], float]) -> None:
        self._burst, self._per_s, self._now_s = burst, per_s, now_s
        self._left, self._at_s = burst, now_s()

    def take(self) -> bool:
        """One more; False where there have been too many."""
        now_s = self._now_s()
        self._left = min(self._burst, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True

    @property
    def spent(self) -> bool:
        """Nothing is left at this moment."""
        return self._left + (self._now_s() - self._at_s) * self._per_s < 1


class WrongTries:
    """Who asked for wrong pages too often; only so many addresses are remembered."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._peers: OrderedDict[str, Budget] = OrderedDict()

    def count(self, peer: str) -> None:
        """One more wrong request of this address."""
        if peer not in self._peers:
            self._peers[peer] = Budget(30, 0.5, self._now_s)
            while len(self._peers) > _PEERS:
                self._peers.popitem(last=False)
        self._peers.move_to_end(peer)
        self._peers[peer].take()

    def too_many(self, peer: str) -> bool:
        """Whether nothing of this address is answered for now."""
        return peer in self._peers and self._peers[peer].spent
