"""Which PIDs to put into one request: a small bin-packing problem, solved by local search."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

PackCost = Callable[[tuple[int, ...]], float]

_SPLIT_PENALTY = 0.004
"""What tearing a pair of a group apart may cost, as a share of the whole round: PIDs that belong
together share a time stamp unless that is dear."""
_ROUNDS = 30


def best_packs(
    pids: Sequence[int], most: int, cost: PackCost, together: Sequence[Sequence[int]] = ()
) -> list[tuple[int, ...]]:
    """`pids` in packs of at most `most`, so that asking each pack once takes the least time.

    Deterministic. Tries each sensible number of packs from a start that keeps the groups of
    `together` and improves it by moving and swapping. Exact on small cases in the tests.
    """
    if not pids:
        return []
    order = _grouped_order(pids, together)
    neighbours = _pairs(order, together)
    fewest = -(-len(order) // most)
    highest = min(len(order), max(fewest + 1, -(-len(order) // 3)))
    found: list[tuple[float, list[set[int]]]] = []
    for number in range(fewest, highest + 1):
        search = _Search(order, number, most, cost, neighbours)
        found.append(search.run())
    _, packs = min(found, key=lambda pair: pair[0])
    return [tuple(sorted(pack)) for pack in packs if pack]


def _grouped_order(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[int]:
    left = dict.fromkeys(pids)
    order = [pid for group in together for pid in group if pid in left]
    return list(dict.fromkeys([*order, *left]))


def _pairs(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """Neighbours within the groups, as far as both are wanted."""
    pairs: list[tuple[int, int]] = []
    for group in together:
        members = [pid for pid in group if pid in pids]
        pairs += list(itertools.pairwise(members))
    return pairs


class _Search:
    """Local search over one number of packs."""

    def __init__(
        self,
        order: Sequence[int],
        number: int,
        most: int,
        cost: PackCost,
        neighbours: Sequence[tuple[int, int]],
    ) -> None:
        self._most = most
        self._cost = cost
        self._neighbours = neighbours
        self._known: dict[tuple[int, ...], float] = {}
        size = -(-len(order) // number)
        self.packs = [set(order[at : at + size]) for at in range(0, len(order), size)]
        self.packs += [set() for _ in range(number - len(self.packs))]
        self._home = {pid: place for place, pack in enumerate(self.packs) for pid in pack}

    def run(self) -> tuple[float, list[set[int]]]:
        """Improve until nothing helps: total cost with penalties, and the packs."""
        for _ in range(_ROUNDS):
            if not self._improve():
                break
        total = sum(self._price(pack) for pack in self.packs)
        return total * (1 + _SPLIT_PENALTY * self._splits()), self.packs

    def _price(self, pack: set[int]) -> float:
        key = tuple(sorted(pack))
        if not key:
            return 0.0
        if key not in self._known:
            self._known[key] = self._cost(key)
        return self._known[key]

    def _splits(self) -> int:
        return sum(self._home[a] != self._home[b] for a, b in self._neighbours)

    def _score(self) -> float:
        total = sum(self._price(pack) for pack in self.packs)
        return total * (1 + _SPLIT_PENALTY * self._splits())

    def _improve(self) -> bool:
        """Make the best single move or swap; False when none helps."""
        now = self._score()
        best = (now - 1e-9, 0, 0, 0)
        pids = list(self._home)
        for place, pid in enumerate(pids):
            for target in range(len(self.packs)):
                if target != self._home[pid] and len(self.packs[target]) < self._most:
                    best = min(best, (self._tried(pid, target, None), pid, target, -1))
            for other in pids[place + 1 :]:
                if self._home[other] != self._home[pid]:
                    target = self._home[other]
                    best = min(best, (self._tried(pid, target, other), pid, target, other))
        if best[0] >= now - 1e-9:
            return False
        _, pid, target, other = best
        self._put(pid, target, None if other < 0 else other)
        return True

    def _tried(self, pid: int, target: int, other: int | None) -> float:
        home = self._home[pid]
        self._put(pid, target, other)
        score = self._score()
        self._put(pid, home, other)
        return score

    def _put(self, pid: int, target: int, other: int | None) -> None:
        """Move `pid` to pack `target`; `other`, if given, takes its place."""
        home = self._home[pid]
        self.packs[home].discard(pid)
        self.packs[target].add(pid)
        self._home[pid] = target
        if other is not None:
            self.packs[target].discard(other)
            self.packs[home].add(other)
            self._home[other] = home
