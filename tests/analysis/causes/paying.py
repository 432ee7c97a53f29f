"""Whether the next test pays: minutes of testing until a cause is certain, by the program's advice
and in a fixed order, on the same cases with the same outcomes.

The outcomes are drawn from the catalogue's own likelihoods under the true causes: this proves the
order in which tests are proposed, not the catalogue.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, HandTest, after_tests
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.next_tests import CERTAIN, next_tests, observed
from logbench.analysis.engine import Engine

POSSIBLE = 0.02
"""A technician does not test for what is less likely than that."""


@dataclass(frozen=True, slots=True)
class Case:
    """What a recording said, of which engine, and what was really wrong."""

    causes: Causes
    engine: Engine
    truth: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Walk:
    """One way through the tests: minutes, how many, and whether a cause became certain, and was
    the right one."""

    minutes: float
    tests: int
    certain: bool
    right: bool


@dataclass(frozen=True, slots=True)
class Paid:
    """Sums over the cases in which both ways end in certainty; `share`: minutes by advice of those
    in the fixed order. `cases`: how many there were, `both`: of which both became certain."""

    cases: int
    both: int
    advised_min: float
    fixed_min: float
    advised_certain: int
    fixed_certain: int
    advised_right: int

    @property
    def share(self) -> float:
        """Minutes by advice for each minute in the fixed order; NaN where no case was decided."""
        return self.advised_min / self.fixed_min if self.fixed_min else float("nan")


Choose = Callable[[Causes, Engine, Sequence[Done]], HandTest | None]


def advised(causes: Causes, engine: Engine, done: Sequence[Done]) -> HandTest | None:
    """What the program proposes first."""
    first, *_ = (*next_tests(causes, engine, done), None)
    return first.test if first is not None else None


def cheapest(causes: Causes, engine: Engine, done: Sequence[Done]) -> HandTest | None:
    """A fixed order by practice: harmless before dangerous, then the quickest, of the tests that
    look for a cause which is still possible."""
    over, seen = {one.test for one in done}, observed(causes)
    possible = {one.cause for one in causes.ranked if one.probability >= POSSIBLE}
    for test in FIXED:
        bears = any(possible & set(outcome.causes) for outcome in test.outcomes)
        if test.key not in over and test.fits(engine) and bears and not test.is_told(seen):
            return test
    return None


FIXED = sorted(HAND_TESTS.values(), key=lambda test: (test.danger >= 2, test.minutes))


def walk(case: Case, outcomes: dict[str, str], choose: Choose) -> Walk:
    """Test until a cause is certain or nothing is left to test."""
    causes, done, minutes = case.causes, list[Done](), 0.0
    while causes.ranked[0].probability < CERTAIN:
        test = choose(causes, case.engine, done)
        if test is None:
            break
        one = Done(test.key, outcomes[test.key])
        done.append(one)
        causes = after_tests(causes, [one])
        minutes += test.minutes
    first = causes.ranked[0]
    certain = first.probability >= CERTAIN
    return Walk(minutes, len(done), certain, certain and first.cause in case.truth)


def drawn(truth: Sequence[str], seed: int) -> dict[str, str]:
    """What every test would show, the same whichever is done first."""
    rng = np.random.default_rng(seed)
    found = {}
    for test in HAND_TESTS.values():
        chances = test.likelihoods(truth)
        found[test.key] = str(rng.choice(list(chances), p=list(chances.values())))
    return found


def paying(cases: Iterable[Case], seed: int = 20) -> Paid:
    """Both ways through all cases, each with outcomes drawn once."""
    walks = []
    for number, case in enumerate(cases):
        outcomes = drawn(case.truth, seed + number)
        walks.append((walk(case, outcomes, advised), walk(case, outcomes, cheapest)))
    both = [(a, b) for a, b in walks if a.certain and b.certain]
    return Paid(
        cases=len(walks),
        both=len(both),
        advised_min=sum(a.minutes for a, _ in both),
        fixed_min=sum(b.minutes for _, b in both),
        advised_certain=sum(a.certain for a, _ in walks),
        fixed_certain=sum(b.certain for _, b in walks),
        advised_right=sum(a.right for a, _ in walks),
    )
