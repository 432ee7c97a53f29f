"""A walk through hand tests: outcomes drawn from the catalog under what is really wrong, and
testing until a cause is certain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, HandTest, after_tests
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.next_tests import CERTAIN, next_tests
from logbench.analysis.engine import Engine


@dataclass(frozen=True, slots=True)
class Case:
    """What a recording said, of which engine, and what was really wrong."""

    causes: Causes
    engine: Engine
    truth: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Walk:
    """One way through the tests: minutes, how many, the likeliest cause at its end, and whether it
    is certain, and the right one."""

    minutes: float
    tests: int
    cause: str
    certain: bool
    right: bool


Choose = Callable[[Causes, Engine, Sequence[Done]], HandTest | None]


def advised(causes: Causes, engine: Engine, done: Sequence[Done]) -> HandTest | None:
    """What the program proposes first."""
    first, *_ = (*next_tests(causes, engine, done), None)
    return first.test if first is not None else None


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
    right = certain and first.cause in case.truth
    return Walk(minutes, len(done), first.cause, certain, right)


def drawn(truth: Sequence[str], seed: int) -> dict[str, str]:
    """What every test would show, the same whichever is done first."""
    rng = np.random.default_rng(seed)
    found = {}
    for test in HAND_TESTS.values():
        chances = test.likelihoods(truth)
        found[test.key] = str(rng.choice(list(chances), p=list(chances.values())))
    return found
