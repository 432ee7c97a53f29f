"""Whether the next test pays: minutes of testing until a cause is certain, by the program's advice
and in a fixed order, on the same cases with the same outcomes.

The outcomes are drawn from the catalog's own likelihoods under the true causes: this proves the
order in which tests are proposed, not the catalog.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, HandTest
from logbench.analysis.causes.model import Causes
from logbench.analysis.causes.next_tests import observed
from logbench.analysis.causes.walking import Case, advised, drawn, walk
from logbench.analysis.engine import Engine

POSSIBLE = 0.02
"""A technician does not test for what is less likely than that."""


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
