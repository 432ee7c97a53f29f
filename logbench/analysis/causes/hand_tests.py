"""Hand tests: what an outcome makes of the explanations, and which test tells most for its time.

The rows of `hand_tests.toml` say how likely each outcome is under each cause; they are common
practice, no source. An outcome multiplies the probability of every explanation by that likelihood.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cached_property
from importlib import resources
from typing import Any

from logbench.analysis.causes.model import (
    NOT_LISTED,
    Causes,
    Hypothesis,
    Observation,
    Ranked,
    Weight,
    by_cause,
)
from logbench.analysis.cautions import CAUTIONS, Caution
from logbench.analysis.engine import Engine, Trait
from logbench.analysis.statement import Quantity, said
from logbench.errors import UsageError

FOUND_NOTHING, NOT_CLEAR, NOT_DONE = "nothing", "not_clear", "not_done"
"""Outcomes that every test has: none of its own was seen; nobody can tell; it was not done. The
last two say nothing of the causes."""
LEAST, MOST = 0.01, 0.99
"""No outcome is surer than that: of a hand test done wrong, or of a cause that is rare. [CP]"""
LEAST_ODDS = 0.1
"""A weight below says nothing of a cause."""
ANYTHING = 0.2
"""So much of what a cause that is not listed does is anything: each outcome alike. [CP]"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a test may show: from which number on, and how likely by cause (`otherwise` under one
    that is not named)."""

    key: str
    words: str
    otherwise: float
    causes: Mapping[str, float]
    below: float | None = None
    above: float | None = None

    def shown_by(self, number: float) -> bool:
        """Whether a number that was measured is this outcome."""
        low = self.below is not None and number < self.below
        return low or (self.above is not None and number > self.above)

    @property
    def limited(self) -> bool:
        """Whether a number alone tells it."""
        return self.below is not None or self.above is not None


_FROM_THE_SEAT = ("on_road", "full_throttle", "exhaust_gas", "rolling")
"""Cautions of a test in which no hand leaves the car's controls."""


@dataclass(frozen=True)
class HandTest:
    """One test of the catalog. `outcomes`: its own ones; `rest`: what it is called when none of
    them is seen. `unit`: of the number that is entered, empty where there is none. `told_by`:
    observations (with * for anything) that say the same already."""

    key: str
    title: str
    what: str
    minutes: float
    tools: tuple[str, ...]
    skill: str
    cautions: tuple[Caution, ...]
    needs: tuple[Trait, ...]
    unless: tuple[Trait, ...]
    told_by: tuple[str, ...]
    unit: str
    rest: str
    outcomes: tuple[Outcome, ...]

    @property
    def danger(self) -> int:
        """0 harmless to 3, as the worst of its cautions."""
        return max((caution.danger for caution in self.cautions), default=0)

    @cached_property
    def words(self) -> Mapping[str, str]:
        """What can be entered, in the technician's words, by key; those that tell nothing last."""
        own = {outcome.key: outcome.words for outcome in self.outcomes}
        return {**own, FOUND_NOTHING: self.rest, NOT_CLEAR: "not clear", NOT_DONE: "not done"}

    def fits(self, engine: Engine) -> bool:
        """Whether this engine can have it: what is not known of it rules nothing out."""
        needed = all(engine.holds(trait) is not False for trait in self.needs)
        return needed and not any(engine.holds(trait) for trait in self.unless)

    def on(self, engine: Engine) -> HandTest:
        """The test as it is for this engine: hands that go to a hybrid are warned of its high
        voltage."""
        by_hand = any(caution.key not in _FROM_THE_SEAT for caution in self.cautions)
        high = CAUTIONS["high_voltage"], CAUTIONS["orange"]
        if engine.holds(Trait.HYBRID) and by_hand and not any(c in self.cautions for c in high):
            return replace(self, cautions=(*self.cautions, CAUTIONS["orange"]))
        return self

    def is_told(self, seen: Iterable[str]) -> bool:
        """Whether one of these observations, by their keys, says the same already."""
        return any(fnmatchcase(key, told) for key in seen for told in self.told_by)

    def outcome_of(self, number: float) -> str | None:
        """The outcome that a number shows; None where only the maker's limits tell."""
        shown = [outcome.key for outcome in self.outcomes if outcome.shown_by(number)]
        if shown:
            return shown[0]
        return FOUND_NOTHING if all(o.limited for o in self.outcomes) else None

    def likelihoods(self, causes: Sequence[str]) -> dict[str, float]:
        """How likely each outcome that tells something is under these causes together: that of the
        one which does most to this test. They sum to 1."""
        known = self._known.get(tuple(causes))
        if known is None:
            known = max((self._of_cause(cause) for cause in causes), key=self._unusual)
            self._known[tuple(causes)] = known
        return known

    @cached_property
    def usual(self) -> dict[str, float]:
        """The same under causes that do nothing to it."""
        return _whole({o.key: o.otherwise for o in self.outcomes})

    @cached_property
    def _known(self) -> dict[tuple[str, ...], dict[str, float]]:
        return {}

    def _unusual(self, row: Mapping[str, float]) -> float:
        return max(abs(p - self.usual[k]) for k, p in row.items())

    def _of_cause(self, cause: str) -> dict[str, float]:
        if cause == NOT_LISTED:
            alike = ANYTHING / (len(self.outcomes) + 1)
            return {k: (1.0 - ANYTHING) * p + alike for k, p in self.usual.items()}
        return _whole({o.key: o.causes.get(cause, o.otherwise) for o in self.outcomes})


def _whole(own: Mapping[str, float]) -> dict[str, float]:
    """With what is left for `nothing`, each bounded, summing to 1."""
    bounded = {k: min(MOST, max(LEAST, p)) for k, p in own.items()}
    bounded[FOUND_NOTHING] = max(LEAST, 1.0 - sum(bounded.values()))
    total = sum(bounded.values())
    return {k: p / total for k, p in bounded.items()}


_WORDS = ("words", "otherwise", "below", "above")


def _outcome(key: str, row: Mapping[str, Any]) -> Outcome:
    causes = {name: p for name, p in row.items() if name not in _WORDS}
    limits = row.get("below"), row.get("above")
    return Outcome(key, row["words"], row["otherwise"], causes, *limits)


def _hand_test(key: str, row: Mapping[str, Any]) -> HandTest:
    return HandTest(
        key,
        row["title"],
        row["what"],
        row["minutes"],
        tuple(row["tools"]),
        row["skill"],
        tuple(CAUTIONS[name] for name in row.get("cautions", ())),
        tuple(map(Trait, row.get("needs", ()))),
        tuple(map(Trait, row.get("unless", ()))),
        tuple(row.get("told_by", ())),
        row.get("unit", ""),
        row["rest"],
        tuple(_outcome(k, v) for k, v in row.items() if isinstance(v, dict)),
    )


_ROWS = tomllib.loads(
    resources.files("logbench.analysis.causes").joinpath("hand_tests.toml").read_text("utf-8")
)
HAND_TESTS: Mapping[str, HandTest] = {key: _hand_test(key, row) for key, row in _ROWS.items()}
"""All of them by key, in the order in which practice does them."""


@dataclass(frozen=True, slots=True)
class Done:
    """A test that was done, by its key, and the key of its outcome; the number where one was
    entered."""

    test: str
    outcome: str
    number: float | None = None

    @property
    def words(self) -> str:
        """`Rested battery voltage: below 12.2 V (11.9 V)`; of a test that is not known its keys."""
        known = HAND_TESTS.get(self.test)
        title, unit = (known.title, known.unit) if known else (self.test, "")
        shown = known.words.get(self.outcome, self.outcome) if known else self.outcome
        if self.number is None:
            return said("{title}: {shown}", title=title, shown=shown)
        number = Quantity(self.number, unit)
        return said("{title}: {shown} ({number})", title=title, shown=shown, number=number)


def entered(test: str, outcome: str) -> Done:
    """What a person entered: the key of an outcome, or a number that shows one. UsageError names
    what there is."""
    if test not in HAND_TESTS:
        raise UsageError(f"There is no test {test!r}: choose one of {', '.join(HAND_TESTS)}.")
    known = HAND_TESTS[test]
    if outcome in known.words:
        return Done(test, outcome)
    number = _number(outcome) if known.unit else None
    key = None if number is None else known.outcome_of(number)
    if key is None:
        limits = " The maker's limits decide what a number means." if number is not None else ""
        choice = ", ".join(known.words)
        raise UsageError(f"{outcome!r} is no outcome of {test}: choose one of {choice}.{limits}")
    return Done(test, key, number)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def after_tests(causes: Causes, done: Iterable[Done]) -> Causes:
    """The explanations after these tests; of a test that was entered twice the last one counts, and
    what this program does not know (a test of a later version) says nothing."""
    last = {one.test: one for one in done if one.test in HAND_TESTS}
    told = [
        (HAND_TESTS[one.test], one.outcome)
        for one in last.values()
        if one.outcome in HAND_TESTS[one.test].usual
    ]
    for test, outcome in told:
        causes = after_test(causes, test, outcome)
    left = [_seen(*one) for one in told if not _explained(causes.hypotheses[0], *one)]
    return replace(causes, unexplained=(*causes.unexplained, *left))


def _explained(first: Hypothesis, test: HandTest, outcome: str) -> bool:
    """Whether the likeliest explanation makes what was found likelier than it is anyway."""
    if outcome == FOUND_NOTHING:
        return True
    return test.likelihoods(first.causes)[outcome] > test.usual[outcome] + 1e-9


def _seen(test: HandTest, outcome: str) -> Observation:
    return Observation(f"test|{test.key}", Done(test.key, outcome).words)


def after_test(causes: Causes, test: HandTest, outcome: str) -> Causes:
    """The explanations after one outcome, which every cause has among what speaks for it or
    against."""
    before = by_cause(causes.hypotheses)
    hypotheses = _reweighed(causes.hypotheses, test, outcome)
    after = by_cause(hypotheses)
    ranked = []
    for one in causes.ranked:
        now = after.get(one.cause, 0.0)
        weight = Weight(
            _seen(test, outcome), _log_odds(now) - _log_odds(before.get(one.cause, 0.0))
        )
        ranked.append(_with(replace(one, probability=now), weight))
    ranked.sort(key=lambda one: -one.probability)
    return replace(causes, hypotheses=hypotheses, ranked=tuple(ranked))


def _reweighed(
    hypotheses: Iterable[Hypothesis], test: HandTest, outcome: str
) -> tuple[Hypothesis, ...]:
    weighed = [
        replace(h, probability=h.probability * test.likelihoods(h.causes)[outcome])
        for h in hypotheses
    ]
    total = math.fsum(h.probability for h in weighed)
    if total <= 0.0:
        return tuple(hypotheses)
    shares = [replace(h, probability=h.probability / total) for h in weighed]
    return tuple(sorted(shares, key=lambda h: -h.probability))


def _with(ranked: Ranked, weight: Weight) -> Ranked:
    """With one weight more, the heaviest first."""
    pro, contra = ranked.pro, ranked.contra
    if abs(weight.log_odds) < LEAST_ODDS:
        return ranked
    if weight.log_odds > 0.0:
        pro = tuple(sorted((*pro, weight), key=lambda w: -w.log_odds))
    else:
        contra = tuple(sorted((*contra, weight), key=lambda w: w.log_odds))
    return replace(ranked, pro=pro, contra=contra)


def _log_odds(p: float) -> float:
    p = min(1.0 - 1e-9, max(1e-9, p))
    return math.log(p / (1.0 - p))
