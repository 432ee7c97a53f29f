"""The next test: which one tells most of what explains it all, for its time, and what each of its
outcomes would leave. A dangerous one never stands before a safer one that tells as much, and one
that can injure not where a safer one tells half as much."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, HandTest, after_test
from logbench.analysis.causes.model import Causes, Hypothesis
from logbench.analysis.engine import Engine

CERTAIN = 0.95
"""From so much on a cause needs no test."""
BESIDE_CERTAIN = 0.2
"""A second cause, there at once, that has so much is worth a test all the same. [CP]"""
INJURES, HALF = 2, 0.5
"""A test of so much danger stands back where a safer one tells that share of what it tells."""
LEAST_BITS = 0.02
"""A test that tells less than that is not proposed."""
_WHOLE = 0.9999
"""The likeliest explanations that have so much together are weighed."""
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leaves:
    """What one outcome of a test would leave: how likely it is, and the explanations then."""

    outcome: str
    probability: float
    causes: Causes


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test that is worth doing: the bits it is expected to tell of what explains all, and how
    likely it leaves one cause `CERTAIN` where none was."""

    test: HandTest
    bits: float
    decides: float

    @property
    def worth_per_minute(self) -> float:
        """What it tells for its time; a sure decision counts as one bit more, for it ends the
        testing: that takes a tenth of the minutes off (tests/analysis/causes/paying.py)."""
        return (self.bits + self.decides) / self.test.minutes

    def leaves(self, causes: Causes) -> tuple[Leaves, ...]:
        """What each outcome would leave, the likeliest first."""
        chances = expected(causes.hypotheses, self.test)
        found = [Leaves(k, p, after_test(causes, self.test, k)) for k, p in chances.items()]
        return tuple(sorted(found, key=lambda one: -one.probability))


class Doubt:
    """The likeliest explanations as numbers: their shares (n) and which causes each has (n, c)."""

    def __init__(self, hypotheses: Iterable[Hypothesis]) -> None:
        ordered = sorted(hypotheses, key=lambda h: -h.probability)
        sums = np.cumsum([h.probability for h in ordered])
        self._chosen = ordered[: int(np.searchsorted(sums, _WHOLE * sums[-1])) + 1]
        shares = np.array([h.probability for h in self._chosen])
        self.shares: _Floats = shares / shares.sum()
        keys = sorted({cause for h in self._chosen for cause in h.causes})
        self._has = np.array([[key in h.causes for key in keys] for h in self._chosen], float)
        self._certain = bool((self.shares @ self._has).max() >= CERTAIN)

    @property
    def bits(self) -> float:
        """How uncertain it is which of them holds."""
        shares = self.shares[self.shares > 0.0]
        return max(0.0, float(-(shares * np.log2(shares)).sum()))

    def weigh(self, test: HandTest) -> NextTest:
        """The test with what it is expected to tell."""
        rows = np.array([[*test.likelihoods(h.causes).values()] for h in self._chosen])
        together = self.shares[:, None] * rows
        chances = together.sum(axis=0)
        bits = float((together * np.log2(rows / chances)).sum())
        after = (together / chances).T @ self._has
        decides = 0.0 if self._certain else float(chances[after.max(axis=1) >= CERTAIN].sum())
        return NextTest(test, max(0.0, bits), decides)


def expected(hypotheses: Iterable[Hypothesis], test: HandTest) -> dict[str, float]:
    """How likely each outcome of the test is by now."""
    chances = dict.fromkeys(test.usual, 0.0)
    for h in hypotheses:
        for outcome, p in test.likelihoods(h.causes).items():
            chances[outcome] += h.probability * p
    return chances


def next_tests(causes: Causes, engine: Engine, done: Iterable[Done] = ()) -> tuple[NextTest, ...]:
    """What is worth doing next, the most told for each minute first; `causes` as they are after
    those `done`. Left out is what was entered, whatever came of it, and what the recording has told
    already. Where the causes are settled nothing is."""
    if settled(causes):
        return ()
    over = {one.test for one in done}
    seen = observed(causes)
    doubt = Doubt(causes.hypotheses)
    proposed = [
        doubt.weigh(test)
        for test in HAND_TESTS.values()
        if test.key not in over and test.fits(engine) and not test.is_told(seen)
    ]
    worth = [one for one in proposed if one.bits >= LEAST_BITS]
    return tuple(replace(one, test=one.test.on(engine)) for one in sorted(worth, key=_order(worth)))


def settled(causes: Causes) -> bool:
    """Whether one cause is certain and no second one likely beside it: no test is worth its time
    to find what it is."""
    first, *rest = causes.ranked
    beside = max((one.probability for one in rest), default=0.0)
    return first.probability >= CERTAIN and beside < BESIDE_CERTAIN


def observed(causes: Causes) -> frozenset[str]:
    """The keys of all that was seen."""
    weights = (w for one in causes.ranked for w in (*one.pro, *one.contra))
    seen = (*(w.observation for w in weights), *causes.unexplained)
    return frozenset(one.key for one in seen)


def _order(worth: Sequence[NextTest]) -> Callable[[NextTest], tuple[float, int]]:
    """Sorts by what a minute is worth, and no test before a safer one that tells as much. One that
    can injure stands behind the best of the safer ones that tell half as much, too: it tells a
    little more than they nearly always."""
    rates: dict[str, float] = {}
    for one in sorted(worth, key=lambda one: one.test.danger):
        safer = [other for other in worth if other.test.danger < one.test.danger]
        bounds = [rates[other.test.key] for other in safer if other.bits >= one.bits]
        if one.test.danger >= INJURES:
            near = [rates[other.test.key] for other in safer if other.bits >= HALF * one.bits]
            bounds += [max(near)] if near else []
        rates[one.test.key] = min([one.worth_per_minute, *bounds])
    return lambda one: (-rates[one.test.key], one.test.danger)
