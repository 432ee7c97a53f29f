"""Which PIDs to put into one request: a small bin-packing problem, solved by local search."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Sequence

PackCost = Callable[[tuple[int, ...]], float]

_SPLIT_PENALTY = 0.004
"""What tearing a pair of a group apart may cost, as a share of the whole round: PIDs that belong
together share a time stamp unless that is dear."""
_ROUNDS = 40
_WAYS = 6
"""So many random ways to begin with."""
_PURSUED = 3
"""So many beginnings are improved."""


def best_packs(
    pids: Sequence[int], most: int, cost: PackCost, together: Sequence[Sequence[int]] = ()
) -> list[tuple[int, ...]]:
    """`pids` in packs of at most `most`, so that asking each pack once takes the least time.

    Deterministic. Tries full packs, one pack more, packs that fit a single frame, and packs filled
    as long as that pays; starts with the groups of `together` and improves by moving and swapping.
    Exact on the tests' small cases.
    """
    if not pids:
        return []
    order = _grouped_order(pids, together)
    neighbors = _pairs(order, together)
    fewest = -(-len(order) // most)
    highest = min(len(order), max(fewest + 1, -(-len(order) // 3)))
    homes = [_even(len(order), n) for n in sorted({fewest, min(fewest + 1, highest), highest})]
    homes += _filled(order, most, cost)
    begun = [_Search(order, home, most, cost, neighbors) for home in homes]
    begun.sort(key=_Search.score)
    return min((search.run() for search in begun[:_PURSUED]), key=lambda pair: pair[0])[1]


def _even(count: int, number: int) -> list[int]:
    """The pack of each place: as many in each."""
    size = -(-count // number)
    return [at // size for at in range(count)]


def _filled(order: Sequence[int], most: int, cost: PackCost) -> list[list[int]]:
    """The pack of each place, in some ways: the first one that the place makes dearer by less than
    a new one would cost. Which place comes first decides how much is left over."""
    ways = [list(range(len(order)))]
    if len(order) > most or cost(tuple(sorted(order))) >= sum(cost((pid,)) for pid in order):
        ways += [random.Random(seed).sample(ways[0], len(order)) for seed in range(_WAYS)]
    return [_fill(order, way, most, cost) for way in ways]


def _fill(order: Sequence[int], way: Sequence[int], most: int, cost: PackCost) -> list[int]:
    packs: list[tuple[int, ...]] = []
    home = [0] * len(order)
    for place in way:
        pid = order[place]
        for at, pack in enumerate(packs):
            wider = tuple(sorted((*pack, pid)))
            if len(pack) < most and cost(wider) < cost(pack) + cost((pid,)):
                packs[at], home[place] = wider, at
                break
        else:
            home[place] = len(packs)
            packs.append((pid,))
    return home


def _grouped_order(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[int]:
    left = dict.fromkeys(pids)
    order = [pid for group in together for pid in group if pid in left]
    return list(dict.fromkeys([*order, *left]))


def _pairs(pids: Sequence[int], together: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """Neighbors within the groups, as far as both are wanted."""
    groups = ([pid for pid in group if pid in pids] for group in together)
    return [pair for group in groups for pair in itertools.pairwise(group)]


class _Search:
    """Local search from packs to begin with; packs are bit masks over `order`."""

    def __init__(
        self,
        order: Sequence[int],
        homes: list[int],
        most: int,
        cost: PackCost,
        neighbors: Sequence[tuple[int, int]],
    ) -> None:
        self._order = order
        self._most = most
        self._cost = cost
        bit = {pid: 1 << at for at, pid in enumerate(order)}
        self._pairs = [bit[a] | bit[b] for a, b in neighbors]
        self._known: dict[int, tuple[float, int]] = {0: (0.0, 0)}
        self._home = homes
        self._masks = [0] * (max(homes) + 1)
        for at, home in enumerate(self._home):
            self._masks[home] |= 1 << at
        self._total = sum(self._worth(mask)[0] for mask in self._masks)
        self._torn = len(self._pairs) - sum(self._worth(mask)[1] for mask in self._masks)

    def run(self) -> tuple[float, list[tuple[int, ...]]]:
        """Improve until nothing helps: total cost with penalties, and the packs."""
        for _ in range(_ROUNDS):
            if not self._improve():
                break
        return self.score(), [self._pids(mask) for mask in self._masks if mask]

    def score(self) -> float:
        """Total cost with penalties."""
        return _score(self._total, self._torn)

    def _pids(self, mask: int) -> tuple[int, ...]:
        return tuple(sorted(pid for at, pid in enumerate(self._order) if mask >> at & 1))

    def _worth(self, mask: int) -> tuple[float, int]:
        """What a pack costs, and how many pairs it holds together."""
        if mask not in self._known:
            held = sum(pair & mask == pair for pair in self._pairs)
            self._known[mask] = self._cost(self._pids(mask)), held
        return self._known[mask]

    def _improve(self) -> bool:
        """Make the best single move or swap; False when none helps."""
        best = (self.score() - 1e-9, -1, -1, -1)
        for at, home in enumerate(self._home):
            for target, mask in enumerate(self._masks):
                if target != home and mask.bit_count() < self._most:
                    best = min(best, (_score(*self._after(at, target, -1)), at, target, -1))
            for other in range(at + 1, len(self._order)):
                target = self._home[other]
                if target != home:
                    best = min(best, (_score(*self._after(at, target, other)), at, target, other))
        _, at, target, other = best
        if at < 0:
            return False
        self._total, self._torn = self._after(at, target, other)
        home, moved = self._home[at], _moved(at, other)
        self._masks[home] ^= moved
        self._masks[target] ^= moved
        self._home[at] = target
        if other >= 0:
            self._home[other] = home
        return True

    def _after(self, at: int, target: int, other: int) -> tuple[float, int]:
        """Cost and torn pairs after putting `at` into pack `target`, in exchange for `other` unless
        that is -1."""
        moved = _moved(at, other)
        old = [self._masks[self._home[at]], self._masks[target]]
        (here, held_here), (there, held_there) = map(self._worth, old)
        (new_here, newly_here), (new_there, newly_there) = (self._worth(m ^ moved) for m in old)
        gain = new_here + new_there - here - there
        return self._total + gain, self._torn + held_here + held_there - newly_here - newly_there


def _moved(at: int, other: int) -> int:
    return 1 << at | (1 << other if other >= 0 else 0)


def _score(total: float, torn: int) -> float:
    return total * (1 + _SPLIT_PENALTY * torn)
