"""How long to wait for what ECUs say to one request, and to a change."""

from __future__ import annotations

from logbench.vehicle.link import PENDING_LIMIT_S, PENDING_TOTAL_S, is_pending


class Patience:
    """Ends `first_s` after the request; `more_s` after the last answer, but for that not later than
    `usual_s` after the request; not before an ECU that says 'response pending' has answered or let
    P2* of ISO 15765-3 and ISO 14229-2 go by since it last said so; and at the latest `total_s`
    after the request, whatever they say. Times are of the monotonic clock."""

    def __init__(
        self,
        now_s: float,
        *,
        first_s: float,
        more_s: float,
        usual_s: float,
        total_s: float = PENDING_TOTAL_S,
    ) -> None:
        self._more_s = more_s
        self._until_s = now_s + first_s
        self._usual_s, self._end_s = now_s + usual_s, now_s + total_s
        self._pending: dict[str, float] = {}

    def hears(self, ecu: str, data: bytes, now_s: float) -> None:
        """An ECU has said something about the request."""
        if is_pending(data):
            self._pending[ecu] = now_s + PENDING_LIMIT_S
            return
        said = self._pending.pop(ecu, None)
        if said is not None:
            self._usual_s = max(self._usual_s, now_s + self._more_s)
        self._until_s = min(now_s + self._more_s, self._usual_s)

    def goes_on(self, now_s: float, seconds: float) -> None:
        """Part of an answer has come; the next one takes at most `seconds`."""
        self._until_s = now_s + seconds

    @property
    def pending(self) -> bool:
        """An ECU is still to answer."""
        return bool(self._pending)

    @property
    def until_s(self) -> float:
        """When it is over if nothing comes."""
        return min(max(self._until_s, *self._pending.values(), 0.0), self._end_s)
