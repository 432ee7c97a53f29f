"""Which PIDs to put into one request: a small bin-packing problem, solved by local search."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

PackCost = Callable[[tuple[int, ...]], float]

_SPLIT_PENALTY = 0.004
"""What tearing a pair of a group apart may cost, as a share of the whole round: PIDs that belong
together share a time stamp unless that is dear."""
_ROUNDS = 40


def best_packs(
    pids: Sequence[int], most: int, cost: PackCost, together: Sequence[Sequence[int]] = ()
) -> list[tuple[int, ...]]:
    """`pids` in packs of at most `most`, so that asking each pack once takes the least time.

    Deterministic. Tries full packs, one pack more, and packs that fit a single frame; starts with
    the groups of `together` and improves by moving and swapping. Exact on the tests' small cases.
    """
    if not pids:
        return []
    order = _grouped_order(pids, together)
    neighbours = _pairs(order, together)
    fewest = -(-len(order) // most)
    highest = min(len(order), max(fewest + 1, -(-len(order) // 3)))
    found = [
        _Search(order, number, most, cost, neighbours).run()
        for number in sorted({fewest, min(fewest + 1, highest), highest})
    ]
    return min(found, key=lambda pair: pair[0])[1]


def _grouped_order(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[int]:
    left = dict.fromkeys(pids)
    order = [pid for group in together for pid in group if pid in left]
    return list(dict.fromkeys([*order, *left]))


def _pairs(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """Neighbours within the groups, as far as both are wanted."""
    groups = ([pid for pid in group if pid in pids] for group in together)
    return [pair for group in groups for pair in itertools.pairwise(group)]


class _Search:
    """Local search over one number of packs; packs are bit masks over `order`."""

    def __init__(
        self,
        order: Sequence[int],
        number: int,
        most: int,
        cost: PackCost,
        neighbours: Sequence[tuple[int, int]],
    ) -> None:
        self._order = order
        self._most = most
        self._cost = cost
        self._known: dict[int, float] = {0: 0.0}
        place = {pid: at for at, pid in enumerate(order)}
        self._beside: list[list[int]] = [[] for _ in order]
        for a, b in neighbours:
            self._beside[place[a]].append(place[b])
            self._beside[place[b]].append(place[a])
        size = -(-len(order) // number)
        self._home = [at // size for at in range(len(order))]
        self._masks = [0] * number
        for at, home in enumerate(self._home):
            self._masks[home] |= 1 << at
        self._total = sum(self._price(mask) for mask in self._masks)
        self._splits = sum(self._torn(at) for at in range(len(order))) / 2

    def run(self) -> tuple[float, list[tuple[int, ...]]]:
        """Improve until nothing helps: total cost with penalties, and the packs."""
        for _ in range(_ROUNDS):
            if not self._improve():
                break
        packs = [self._pids(mask) for mask in self._masks if mask]
        return self._score(self._total, self._splits), packs

    def _pids(self, mask: int) -> tuple[int, ...]:
        return tuple(sorted(pid for at, pid in enumerate(self._order) if mask >> at & 1))

    def _price(self, mask: int) -> float:
        if mask not in self._known:
            self._known[mask] = self._cost(self._pids(mask))
        return self._known[mask]

    def _torn(self, at: int) -> int:
        """Neighbours of `at` that are in another pack."""
        return sum(self._home[other] != self._home[at] for other in self._beside[at])

    @staticmethod
    def _score(total: float, splits: float) -> float:
        return total * (1 + _SPLIT_PENALTY * splits)

    def _improve(self) -> bool:
        """Make the best single move or swap; False when none helps."""
        now = self._score(self._total, self._splits)
        best = (now - 1e-9, -1, -1, -1)
        for at in range(len(self._order)):
            for target, mask in enumerate(self._masks):
                if target != self._home[at] and mask.bit_count() < self._most:
                    best = min(best, (self._tried(at, target, -1), at, target, -1))
            for other in range(at + 1, len(self._order)):
                if self._home[other] != self._home[at]:
                    target = self._home[other]
                    best = min(best, (self._tried(at, target, other), at, target, other))
        if best[1] < 0:
            return False
        self._put(*best[1:])
        return True

    def _tried(self, at: int, target: int, other: int) -> float:
        """The score after putting `at` into pack `target`, in exchange for `other` unless -1."""
        home = self._home[at]
        total = self._total + self._gain(at, home, target, other)
        if not self._beside[at] and (other < 0 or not self._beside[other]):
            return self._score(total, self._splits)
        before = self._torn(at) + (self._torn(other) if other >= 0 else 0)
        self._home[at] = target
        if other >= 0:
            self._home[other] = home
        after = self._torn(at) + (self._torn(other) if other >= 0 else 0)
        self._home[at] = home
        if other >= 0:
            self._home[other] = target
        # A pair of both is counted twice before and after alike: it stays torn.
        return self._score(total, self._splits + after - before)

    def _gain(self, at: int, home: int, target: int, other: int) -> float:
        """Change of the total cost."""
        moved = 1 << at | (1 << other if other >= 0 else 0)
        old_home, old_target = self._masks[home], self._masks[target]
        return (
            self._price(old_home ^ moved)
            + self._price(old_target ^ moved)
            - self._price(old_home)
            - self._price(old_target)
        )

    def _put(self, at: int, target: int, other: int) -> None:
        home = self._home[at]
        moved = 1 << at | (1 << other if other >= 0 else 0)
        self._total += self._gain(at, home, target, other)
        self._masks[home] ^= moved
        self._masks[target] ^= moved
        self._home[at] = target
        if other >= 0:
            self._home[other] = home
        self._splits = sum(self._torn(each) for each in range(len(self._order))) / 2
