"""What to ask next, so that the wire serves the wanted rates best. Pure: no link, no clock.

Each PID has a wanted rate. Its urgency is the share of its period that has gone by since it was
last asked: 1 means due. The next request is the set of PIDs (up to what one request holds) with the
most urgency served per second that the request is predicted to take: the max-weight policy for the
age of information (I. Kadota et al., IEEE/ACM Trans. Networking 26(6), 2018). When the wire cannot
carry everything, urgencies grow until all rates are short by the same factor; when it can carry
more, the fast ones get the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from logbench.vehicle.packing import best_packs
from logbench.vehicle.peer import UNANSWERED_S

CostOf = Callable[[tuple[int, ...], bool], float]
"""Predicted seconds of a request for these PIDs; True when it repeats the one before."""

_NEVER = -1e9
_SMOOTHING = 0.1
_FAST_SHARE = 0.7
"""PIDs wanted at least this often, relative to the most wanted, are packed as one class."""


@dataclass(slots=True)
class Unit:
    """PIDs that are always asked together.

    `own`: these, as a bit mask; `mask`: with companions that travel along although they are units
    of their own. A slow PID is never asked without the faster ones of its group, so that they share
    a time stamp.
    """

    pids: tuple[int, ...]
    rate_hz: float
    own: int
    mask: int
    last_s: float = _NEVER
    gap_s: float = 0.0
    """Smoothed time between two times it was asked."""


@dataclass(slots=True)
class Scheduler:
    """Chooses requests. `most`: PIDs a request at most.

    `rates_hz`: PID to wanted rate, all positive. `together`: groups of PIDs that belong in one
    request, most important first.
    """

    rates_hz: Mapping[int, float]
    most: int
    cost_of: CostOf
    together: Sequence[Sequence[int]] = ()
    solo: set[int] = field(default_factory=set)
    """PIDs that only work alone."""
    _wanted: dict[int, float] = field(default_factory=dict)
    _units: list[Unit] = field(default_factory=list)
    _bit: dict[int, int] = field(default_factory=dict)
    _pids: list[int] = field(default_factory=list)
    _fast_hz: float = 1.0
    _before: int = 0
    round_s: float = 0.01
    """How long the request chosen last should take."""
    plans: int = 0
    """How often it has been planned: a choice made before the last plan is out of date."""

    def __post_init__(self) -> None:
        self._wanted = dict(self.rates_hz)
        self._pids = sorted(self._wanted)
        self._bit = {pid: 1 << place for place, pid in enumerate(self._pids)}
        self.plan()

    def plan(self) -> None:
        """Pack anew, after the cost model, the rates or the limits have changed.

        The fast PIDs get fixed requests, the best that can be found; slower ones stay single and
        ride along where there is room.
        """
        last = {pid: unit.last_s for unit in self._units for pid in unit.pids}
        self._fast_hz = max(self._wanted.values())
        fast = [
            pid
            for pid in self._pids
            if pid not in self.solo and self._wanted[pid] >= _FAST_SHARE * self._fast_hz
        ]
        packs = best_packs(fast, self.most, lambda pids: self.cost_of(pids, False), self.together)
        slow = [pid for pid in self._pids if pid not in set(fast)]
        self._units = []
        for pack in packs:
            own = self._mask_of(pack)
            self._units.append(Unit(pack, max(self._wanted[pid] for pid in pack), own, own))
        self._units += [self._single(pid) for pid in slow]
        for unit in self._units:
            unit.last_s = min((last.get(pid, _NEVER) for pid in unit.pids), default=_NEVER)
        self._before = 0
        self.plans += 1

    def plan_if(self, gain: float) -> None:
        """Pack anew, but keep to the packs there are unless that saves this share of the time."""
        units = self._units
        self.plan()
        if self._total_s(self._units) > (1 - gain) * self._total_s(units):
            self._units = units

    def _total_s(self, units: Iterable[Unit]) -> float:
        return sum(self.cost_of(unit.pids, False) for unit in units)

    def next(self, now_s: float) -> tuple[int, ...]:
        """PIDs of the next request, ascending by importance in their groups; never empty."""
        # What counts is the age when the reply is there, one request from now.
        mask = self._choose(now_s + self.round_s)
        pids = self._pids_of(mask)
        cost_s = self.cost_of(pids, mask == self._before)
        if cost_s < UNANSWERED_S:
            self.round_s = cost_s
        self._before = mask
        return pids

    def asked(self, pids: Iterable[int], now_s: float) -> None:
        """`pids` were asked (whatever came back): their age begins again."""
        mask = self._mask_of(pids)
        for unit in self._units:
            if unit.own & mask == unit.own:
                gap_s = min(now_s - unit.last_s, 100 / unit.rate_hz)
                unit.gap_s += _SMOOTHING * (gap_s - unit.gap_s)
                unit.last_s = now_s

    def suspend(self, pid: int, rate_hz: float) -> None:
        """Ask `pid` alone and at `rate_hz` only, until `resume`."""
        self._wanted[pid] = rate_hz
        self.solo.add(pid)
        self.plan()

    def resume(self, pid: int) -> None:
        """`pid` works again: back to its wanted rate, and to packed requests."""
        self._wanted[pid] = self.rates_hz[pid]
        self.solo.discard(pid)
        self.plan()

    # --- choosing ---

    def _choose(self, at_s: float) -> int:
        """The best request that holds the most urgent unit, so that none is left behind."""
        lead = max(self._units, key=lambda unit: self._need(unit, at_s))
        if lead.own & self._mask_of(self.solo) or self.most == 1:
            return lead.own
        values = [(self._need(unit, at_s) * len(unit.pids), unit) for unit in self._units]

        def ratio(mask: int) -> float:
            served = sum(value for value, unit in values if unit.own & mask == unit.own)
            return served / self.cost_of(self._pids_of(mask), mask == self._before)

        by_value = [unit for _, unit in sorted(values, key=lambda pair: -pair[0])]
        by_density = sorted(values, key=lambda pair: -pair[0] / len(pair[1].pids))
        grown = self._wider(lead.mask, by_value)
        grown += self._wider(lead.mask, [unit for _, unit in by_density])
        best = max([lead.mask, *grown], key=ratio)
        most = ratio(best)
        for unit in by_value:  # what fits into a frame's spare bytes rides along
            for wider in self._wider(best, [unit]):
                if (better := ratio(wider)) > most:
                    best, most = wider, better
        return best

    def _wider(self, mask: int, units: list[Unit]) -> list[int]:
        """The requests on the way as this one is filled with `units`, one after the other."""
        found = []
        solo = self._mask_of(self.solo)
        for unit in units:
            wider = mask | unit.mask
            if wider != mask and wider.bit_count() <= self.most and not unit.mask & solo:
                mask = wider
                found.append(mask)
        return found

    def _need(self, unit: Unit, at_s: float) -> float:
        """Urgency: the share of its period since it was last asked, 1 is due. Before a slow unit is
        due it is worth less, so that spare room on the wire goes to the fast ones."""
        urgency = min((at_s - unit.last_s) * unit.rate_hz, 1e3)
        if urgency < 1.0:
            return urgency * unit.rate_hz / self._fast_hz
        # Where all are short, whoever has been shorter than the others so far comes first.
        return urgency * max(unit.gap_s * unit.rate_hz, urgency)

    # --- units ---

    def _single(self, pid: int) -> Unit:
        """A slower PID, with the faster ones of its group as companions."""
        companions: list[int] = []
        for group in self.together if pid not in self.solo else ():
            if pid in group:
                companions = [
                    other
                    for other in group
                    if self._wanted.get(other, 0.0) > self._wanted[pid] and other not in self.solo
                ]
        own = self._mask_of((pid,))
        for room in range(min(self.most - 1, len(companions)), 0, -1):
            mask = own | self._mask_of(companions[:room])
            if self.cost_of(self._pids_of(mask), False) < UNANSWERED_S:
                return Unit((pid,), self._wanted[pid], own, mask)
        return Unit((pid,), self._wanted[pid], own, own)

    def _mask_of(self, pids: Iterable[int]) -> int:
        mask = 0
        for pid in pids:
            mask |= self._bit.get(pid, 0)
        return mask

    def _pids_of(self, mask: int) -> tuple[int, ...]:
        return tuple(pid for pid in self._pids if mask & self._bit[pid])
