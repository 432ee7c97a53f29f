"""What adapter and car make of requests: learned from what comes back, so that the next request is
the one that should bring the most samples a second.

A reply can fail for the shape of its request (too many PIDs for the car, too many frames for the
adapter) or for one of its PIDs. Each has counts of what came and what did not, from which follows
how likely it comes (a Beta distribution's mean). What larger requests bring speaks for smaller
ones, what smaller ones fail at against larger ones, so that packs shrink as far as they must: from
packs to packs of one frame to single PIDs. Who is to blame for a failure is shared out by who is
likely to be (a noisy-AND; J. Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, from
memory). What came last counts most, and what is thought not to work is tried again now and then.

A failure counts only where the peer is known to be there: something else came, at once or next.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from logbench.car.peer import EcuProfile

Pids = tuple[int, ...]

UNANSWERED_S = 1000.0
"""Cost of a request that is not expected to be answered: never chosen where there is another."""
WORKS = 0.75
"""What comes less often than this does not work: others bring more."""
SURE, _FADED = 0.95, 0.05
"""A chance that makes no difference; failures that no longer count."""
_MEMORY = 8.0
"""Outcomes that are remembered: older ones fade."""
_SHAPE, _PACKED, _ALONE = (1.5, 0.3), (3.0, 0.06), (8.0, 0.08)
"""What came and what did not, before anything was seen: a shape, a PID in a pack, a PID alone."""
_NEARBY = 0.5
"""What a failure says against the next smaller shape, and so on, until that was seen to work: where
the limit lies is not known yet, and halfway is looked at first."""
_SEEN = 0.5
"""Outcomes that are something seen."""
_EXPLORE_S, _EXPLORED_S = 0.5, 10.0
"""The wait before something that does not work is tried again at first, twice as long each time,
and later."""
_EXPLORING = 0.005
"""Share of the time that may be lost with trying again, later."""
KEPT = 3.0
"""Outcomes that are kept for another day, of each kind."""


class Kind(StrEnum):
    """What came back for a request."""

    WHOLE = "whole"
    PARTIAL = "only a part comes back"
    DAMAGED = "the replies do not arrive whole"
    REFUSED = "they are refused"
    SILENT = "nothing comes back"
    PENDING = "the car only says 'wait'"


class Shape(NamedTuple):
    """Of a request: PIDs in it, frames of the longest reply of one ECU."""

    pids: int
    frames: int


class Asked(NamedTuple):
    """What is asked of one ECU within a request of that shape."""

    ecu: str
    shape: Shape
    pids: Pids


@dataclass(slots=True)
class _Odds:
    """How often something came (`good`) and did not (`bad`), lately."""

    good: float = 0.0
    bad: float = 0.0

    def take(self, good: float, bad: float) -> None:
        """Another outcome, or shares of it."""
        kept = 1 - (good + bad) / _MEMORY
        self.good, self.bad = kept * self.good + good, kept * self.bad + bad

    def chance(self, prior: tuple[float, float]) -> float:
        """How likely it comes; surely, while nothing has failed."""
        good = self.good + prior[0]
        return good / (good + self.bad)

    def kept(self) -> tuple[float, float]:
        """Both, as few as are kept."""
        share = min(1.0, KEPT / (self.good + self.bad)) if self.good + self.bad else 0.0
        return share * self.good, share * self.bad

    def doubt(self, prior: tuple[float, float]) -> float:
        """How likely it is to blame for a failure, beside others."""
        bad = self.bad + prior[1]
        return bad / (self.good + prior[0] + bad)


@dataclass(slots=True)
class _Ecu:
    """What is known of one ECU, through this adapter."""

    shapes: dict[Shape, _Odds] = field(default_factory=dict)
    packed: dict[int, _Odds] = field(default_factory=dict)
    alone: dict[int, _Odds] = field(default_factory=dict)

    def chance(self, shape: Shape) -> float:
        """How likely a reply of that shape comes, whatever the PIDs."""
        return self._sums(shape).chance(_SHAPE)

    def _sums(self, shape: Shape) -> _Odds:
        sums, doubt = _Odds(), 0.0
        for seen, odds in self.shapes.items():
            short = max(seen.pids - shape.pids, 0) + max(seen.frames - shape.frames, 0)
            if seen.pids >= shape.pids and seen.frames >= shape.frames:
                sums.good += odds.good
            if short:
                doubt += odds.bad * _NEARBY**short
            else:
                sums.bad += odds.bad
        if sums.good < _SEEN:
            sums.bad += doubt
        sums.good = min(sums.good, _MEMORY)
        return sums

    def of(self, pid: int, packed: bool) -> float:
        """How likely a PID comes, whatever the shape."""
        if packed:
            return self.packed.get(pid, _Odds()).chance(_PACKED)
        return self.alone.get(pid, _Odds()).chance(_ALONE)

    def whole(self, asked: Asked) -> bool:
        """All came; true where something of it had failed before."""
        known = self.packed if asked.shape.pids > 1 else self.alone
        odds = [known.setdefault(pid, _Odds()) for pid in asked.pids]
        odds.append(self.shapes.setdefault(asked.shape, _Odds()))
        for each in odds:
            each.take(1, 0)
        return any(each.bad > _FADED for each in odds)

    def blame(self, asked: Asked, came: set[int]) -> None:
        """Share out what did not come: between shape and PIDs where nothing came, or only the head
        of what was asked for; else it is the PIDs that are missing."""
        packed = asked.shape.pids > 1
        missing = [pid for pid in asked.pids if pid not in came]
        known, prior = (self.packed, _PACKED) if packed else (self.alone, _ALONE)
        doubts = {pid: known.setdefault(pid, _Odds()).doubt(prior) for pid in missing}
        cut_off = asked.pids[len(came) :] == tuple(missing) and asked.shape != Shape(1, 1)
        doubt = self._sums(asked.shape).doubt(_SHAPE) if cut_off else 0.0
        total = doubt + (max(doubts.values()) if came else sum(doubts.values()))
        for pid in asked.pids:
            bad = doubts.get(pid, 0.0) / total
            known.setdefault(pid, _Odds()).take(float(pid in came), min(bad, 1.0))
        good = 1 - doubt / total if came else 0.0
        self.shapes.setdefault(asked.shape, _Odds()).take(good, doubt / total)
        for shape, odds in self.shapes.items():  # what larger ones brought is out of date, too
            if shape.pids >= asked.shape.pids and shape.frames >= asked.shape.frames:
                odds.good *= 1 - doubt / total / _MEMORY

    def works(self) -> tuple[dict[Shape, int], list[int], list[int]]:
        """Of what was seen: the shapes, 2 for what is sure, the PIDs in packs and those alone."""
        chances = {shape: self.chance(shape) for shape in self.shapes}
        return (
            {shape: (chance >= WORKS) + (chance >= SURE) for shape, chance in chances.items()},
            [pid for pid in self.packed if self.of(pid, packed=True) >= WORKS],
            [pid for pid in self.alone if self.of(pid, packed=False) >= WORKS],
        )


class Peer:
    """Learns what works. `asked`: what a request asks of each ECU; `least`: the smallest shape of
    so many PIDs. `changes` counts how often what works has changed."""

    def __init__(
        self, asked: Callable[[Pids], tuple[Asked, ...]], least: Callable[[int], Shape]
    ) -> None:
        self._asked, self._least = asked, least
        self._ecus: dict[str, _Ecu] = {}
        self._chances: dict[Pids, float] = {}
        self._works: object = None
        self._kinds: dict[Shape, Counter[Kind]] = {}
        self._lost_s = 0.2
        """What a request takes that brings nothing."""
        self._explore_s = math.inf
        self._run = 0
        self.tries = 0
        """How often something that did not work was tried again."""
        self.changes = 0

    # --- planning ---

    def cost_s(self, pids: Pids, whole_s: float) -> float:
        """Seconds until a request is answered that takes `whole_s` when it is answered at once."""
        chance = self.chance(pids)
        if chance > SURE:
            return whole_s
        if chance < WORKS and len(pids) > 1:
            return UNANSWERED_S
        return whole_s + (1 - chance) / chance * self._lost_s

    def chance(self, pids: Pids) -> float:
        """How likely a request brings all it should."""
        chance = self._chances.get(pids)
        if chance is None:
            chance = self._chances[pids] = min(map(self._chance, self._request(pids)), default=1.0)
        return chance

    def _request(self, pids: Pids) -> tuple[Asked, ...]:
        """As `asked`, without what an ECU does not give at all."""
        asked = self._asked(pids)
        if len(pids) == 1 or not self._ecus:
            return asked
        wanted = [(one, tuple(p for p in one.pids if self.comes(one.ecu, p))) for one in asked]
        return tuple(one._replace(pids=left) for one, left in wanted if left)

    def _chance(self, asked: Asked) -> float:
        ecu = self._ecus.get(asked.ecu)
        if ecu is None:
            return 1.0
        packed = asked.shape.pids > 1
        return min([ecu.chance(asked.shape), *(ecu.of(pid, packed) for pid in asked.pids)])

    def comes(self, ecu: str, pid: int, packed: bool = False) -> bool:
        """Whether a PID comes at all, or with others in one request."""
        return ecu not in self._ecus or self._ecus[ecu].of(pid, packed) >= WORKS

    def alone(self, pid: int) -> float:
        """How likely a PID comes when it is asked alone, by the ECU that is the likeliest."""
        return max((ecu.of(pid, packed=False) for ecu in self._ecus.values()), default=1.0)

    @property
    def limited(self) -> bool:
        """Whether requests of some shape are not sure to work."""
        ecus = self._ecus.values()
        return any(ecu.chance(shape) < SURE for ecu in ecus for shape in ecu.shapes)

    def most(self, most: int, chance: float = WORKS) -> int:
        """PIDs in one request, up to `most`, that every ECU answers with that chance."""
        shapes = [self._least(pids) for pids in range(most, 1, -1)]
        known = self._ecus.values()
        return next((s.pids for s in shapes if all(e.chance(s) >= chance for e in known)), 1)

    # --- learning ---

    def learn(self, pids: Pids, got: Mapping[int, set[str]], kind: Kind, took_s: float) -> None:
        """What a request brought: PID to the ECUs that answered it. `kind` is what there was
        instead of the rest."""
        fresh = False
        for asked in self._request(pids):
            ecu = self._ecus.setdefault(asked.ecu, _Ecu())
            came = {pid for pid in asked.pids if asked.ecu in got.get(pid, ())}
            if len(came) == len(asked.pids):
                fresh |= ecu.whole(asked)
                continue
            fresh = True
            if not came:
                self._lost_s += 0.2 * (took_s - self._lost_s)
            said = Kind.PARTIAL if came else kind
            self._kinds.setdefault(asked.shape, Counter())[said] += 1
            ecu.blame(asked, came)
        if fresh:
            self._chances.clear()
            works = {name: ecu.works() for name, ecu in self._ecus.items()}
            self.changes += works != self._works
            self._works = works

    def why(self, pids: int) -> str:
        """What mostly happens to requests for so many PIDs or more, as words."""
        kinds: Counter[Kind] = Counter()
        for shape, counted in self._kinds.items():
            if shape.pids >= pids:
                kinds += counted
        return kinds.most_common(1)[0][0].value if kinds else Kind.SILENT.value

    # --- for another day ---

    def profile(self) -> dict[str, EcuProfile]:
        """What is worth keeping of each ECU; what came alone or not is another day's matter."""
        return {
            name: EcuProfile(
                shapes={f"{s.pids}x{s.frames}": odds.kept() for s, odds in ecu.shapes.items()},
                packed={pid: odds.kept() for pid, odds in ecu.packed.items()},
            )
            for name, ecu in self._ecus.items()
        }

    def recall(self, ecus: Mapping[str, EcuProfile]) -> None:
        """Begin with what was kept. Raises ValueError for a profile that makes no sense."""
        for name, kept in ecus.items():
            shapes = {Shape(*map(int, key.split("x"))): kept.shapes[key] for key in kept.shapes}
            self._ecus[name] = _Ecu(
                shapes={shape: _Odds(*counts) for shape, counts in shapes.items()},
                packed={pid: _Odds(*counts) for pid, counts in kept.packed.items()},
            )
        self._chances.clear()

    # --- trying again ---

    def explore(self, now_s: float, limited: bool) -> bool:
        """Whether it is time to try what did not work. `limited`: something does not."""
        if not limited:
            self._explore_s, self.tries = math.inf, 0
        elif math.isinf(self._explore_s):
            self._explore_s = now_s + _EXPLORE_S
        return now_s >= self._explore_s

    def explored(self, now_s: float, took_s: float, pids: Pids, came: bool) -> None:
        """How a try went: what came is tried at once again until it is sure, something else after a
        while."""
        self._run = self._run + 1 if came else 0
        if came and self._run < _MEMORY and self.chance(pids) < SURE:
            return
        self.tries = 0 if came else self.tries + 1
        later_s = max(_EXPLORED_S, took_s / _EXPLORING)
        self._explore_s = now_s + min(_EXPLORE_S * 2**self.tries, later_s)
