"""Something an adapter may be able to do: given up where it fails, tried again later."""

from __future__ import annotations

import time

_IN_A_ROW = 2
"""So often in a row it must fail: a byte that is lost or flipped looks the same."""
_AGAIN_S, _AGAIN_MOST_S = 30.0, 600.0
"""So long after it was given up it is tried again, each time twice as long, up to the second."""


class Trial:
    """Whether to use it, by how it went."""

    def __init__(self) -> None:
        self._failed = 0
        self._until_s, self._pause_s = 0.0, _AGAIN_S

    @property
    def works(self) -> bool:
        """As far as anybody knows."""
        return time.monotonic() >= self._until_s

    def worked(self) -> None:
        """It did what it should."""
        self._failed = 0

    def failed(self) -> bool:
        """It did not; true where it is given up now."""
        self._failed += 1
        if self._failed < _IN_A_ROW:
            return False
        self._failed = _IN_A_ROW - 1  # tried again, it has one chance
        self._until_s = time.monotonic() + self._pause_s
        self._pause_s = min(2 * self._pause_s, _AGAIN_MOST_S)
        return True

    def end(self) -> None:
        """It is not to be used any more."""
        self._until_s = float("inf")
