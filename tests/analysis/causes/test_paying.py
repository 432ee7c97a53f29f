"""The next test pays: the walk through tests, and the figure on drawn cases."""

import numpy as np
import pytest

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.hand_tests import HAND_TESTS
from logbench.analysis.causes.walking import Case, advised, drawn, walk
from logbench.analysis.engine import Engine, Known, Trait
from tests.analysis.causes.handmade import LEAN, explained
from tests.analysis.causes.paying import cheapest, paying

GASOLINE = Engine(
    {
        Trait.COMPRESSION: Known(Trait.COMPRESSION, 0.01),
        Trait.HYBRID: Known(Trait.HYBRID, 0.01),
        Trait.TWO_BANKS: Known(Trait.TWO_BANKS, 0.01),
    }
)


def test_a_walk_ends_when_a_cause_is_certain_and_counts_its_minutes():
    outcomes = dict.fromkeys(HAND_TESTS, "nothing") | {"record_idle": "lean"}
    one = walk(Case(LEAN, GASOLINE, ("unmetered_air",)), outcomes | {"smoke_test": "leak"}, advised)
    assert one.certain
    assert one.right
    assert one.minutes >= one.tests > 0
    sure = walk(Case(explained(slip=0.97, fan=0.03), GASOLINE, ("slip",)), outcomes, advised)
    assert (sure.minutes, sure.tests, sure.right) == (0.0, 0, True)


def test_both_ways_meet_the_same_outcomes_and_what_was_drawn_is_of_the_truth():
    assert drawn(("slip",), 3) == drawn(("slip",), 3)
    leaks = [drawn(("unmetered_air",), seed)["smoke_test"] == "leak" for seed in range(200)]
    assert np.mean(leaks) == pytest.approx(0.92, abs=0.06)


def cases(count: int, seed: int = 5) -> list[Case]:
    """Blurred explanations of drawn faults: the truth weighs no more than what it is drawn with."""
    rng = np.random.default_rng(seed)
    keys = [k for k, c in CAUSES.items() if c.prior > 0 and Trait.COMPRESSION not in c.needs]
    made = []
    for _ in range(count):
        chosen = [str(k) for k in rng.choice(keys, 8, replace=False)]
        shares = rng.dirichlet(np.full(8, 0.7))
        truth = str(rng.choice(chosen, p=shares))
        made.append(Case(explained(**dict(zip(chosen, shares, strict=True))), GASOLINE, (truth,)))
    return made


def test_advice_takes_fewer_minutes_than_a_fixed_order():
    paid = paying(cases(120))
    assert paid.both >= 60
    assert paid.share <= 0.65  # 0.55 where tests that can injure stood back only for equals
    assert paid.advised_right >= 0.9 * paid.advised_certain


def test_the_fixed_order_looks_only_for_what_is_possible():
    first = cheapest(explained(slip=0.97, fan=0.03), GASOLINE, ())
    assert first is not None
    assert any({"slip", "fan"} & set(outcome.causes) for outcome in first.outcomes)
