"""Watches over every chosen signal: one that stays away is named, with why and what is tried."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logbench.vehicle.peer import Kind
from logbench.vehicle.wanted import PolledPid

INTERVALS = 10
"""So many of its wanted intervals may go by without a sample."""
LEAST_S = 2.0
"""And at least so long: shorter gaps come and go."""
_AGAIN_S = 60.0
"""A signal that comes and goes is named as often at most."""
_LOOK_S = 0.5
_NAMED = 6
"""Signals that a sentence names; others are counted."""
_WHY = {
    None: "the link is too slow for so many signals; choose fewer, or lower rates",
    Kind.PARTIAL: "the car leaves {it} out of its replies; asking for {it} alone",
    Kind.DAMAGED: "replies with {it} do not arrive whole; asking for {it} with fewer others",
    Kind.REFUSED: "requests with {it} are refused; asking for {it} with fewer others",
    Kind.SILENT: "requests with {it} are not answered; asking for {it} with fewer others",
    Kind.PENDING: "the car only says 'wait'; asking on",
}


@dataclass(slots=True)
class _State:
    came_s: float
    named_s: float = float("-inf")
    why: Kind | None = None
    """What there was instead, when it was asked for last."""


class Watch:
    """`rates_hz`: wanted, by PID. Times in seconds of one clock."""

    def __init__(
        self, pids: Mapping[int, PolledPid], rates_hz: Mapping[int, float], now_s: float
    ) -> None:
        self._pids = pids
        self._patience_s = {pid: max(LEAST_S, INTERVALS / rates_hz[pid]) for pid in pids}
        self._states = {pid: _State(now_s) for pid in pids}
        self._look_s = now_s

    def restart(self, now_s: float) -> None:
        """Nothing could come until now."""
        for state in self._states.values():
            state.came_s = now_s

    def asked(self, pids: Iterable[int], came: Iterable[int], kind: Kind, now_s: float) -> None:
        """These were asked for; some came, and `kind` instead of the others."""
        got = set(came)
        for pid in pids:
            state = self._states[pid]
            state.why = None if pid in got else Kind.PARTIAL if got else kind
            if pid in got:
                state.came_s = now_s

    def sentences(self, now_s: float, named: Iterable[int]) -> list[str]:
        """What is to be said now, mostly nothing; `named`: PIDs that are spoken for already."""
        if now_s < self._look_s:
            return []
        self._look_s = now_s + _LOOK_S
        late: dict[Kind | None, list[int]] = {}
        for pid, state in self._states.items():
            if now_s - state.came_s < self._patience_s[pid] or pid in set(named):
                continue
            if now_s - state.named_s > _AGAIN_S and state.named_s < state.came_s:
                state.named_s = now_s
                late.setdefault(state.why, []).append(pid)
        return [self._sentence(why, pids, now_s) for why, pids in late.items()]

    def _sentence(self, why: Kind | None, pids: list[int], now_s: float) -> str:
        names = ", ".join(self._pids[pid].names for pid in pids[:_NAMED])
        more = f" and {len(pids) - _NAMED} more" if len(pids) > _NAMED else ""
        longest_s = max(now_s - self._states[pid].came_s for pid in pids)
        reason = _WHY[why].format(it="it" if len(pids) == 1 else "them")
        return f"No sample of {names}{more} for {longest_s:.0f} s: {reason}."
