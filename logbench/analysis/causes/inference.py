"""What explains it all: every single cause and the likeliest pairs, each with its probability.

Exact over what is listed: prior times likelihood, severities integrated over a grid, for all single
causes; pairs of those that do best alone and of what best explains what those leave. The same
answer every time. `temperature` makes the probabilities as often right as they say, on simulated
drives (docs/causes.md).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from logbench.analysis.causes import likelihood
from logbench.analysis.causes.catalog import CAUSES, Cause
from logbench.analysis.causes.likelihood import Seen
from logbench.analysis.causes.model import (
    NOT_LISTED,
    NOTHING_WRONG,
    Causes,
    Hypothesis,
    Observation,
    Ranked,
    Weight,
    by_cause,
)
from logbench.analysis.causes.observations import Observed, observe
from logbench.analysis.causes.response import Effect, Response, learned_response, stratum_of
from logbench.analysis.engine import Engine, Trait
from logbench.analysis.model import Finding
from logbench.vehicle.records.model import CarReading

Values = npt.NDArray[np.float64]

PAIR_WEIGHT = 0.03
"""How often two listed causes are there at once, against one of the two alone. [CP]"""
PAIRED, LED = 8, 2
"""Pairs are looked at among so many causes that do best alone, and of so many with every other."""
LEAST_PRIOR = 1e-3
"""A cause that the engine cannot have by more than this is left out."""
SHOWN_ODDS = 0.1
"""Weights below say nothing."""
MOST_SHOWN = 12
UNEXPLAINED = 3.0
"""Standard deviations from what the likeliest explanation expects, and from a healthy car's middle,
from which on a number is unexplained."""


def explain(
    findings: Sequence[Finding],
    engine: Engine,
    reading: CarReading | None = None,
    symptoms: Sequence[str] = (),
    response: Response | None = None,
) -> Causes:
    """The causes of what the findings of one recording, a reading of the car and the customer's
    complaints (keys of `SYMPTOMS`) say, the likeliest first. `response`: the model, where it is
    not the package's own."""
    traits = {trait: engine[trait].probability for trait in Trait}
    observed = observe(findings, reading, symptoms)
    return explain_observed(observed, traits, response or learned_response())


def explain_observed(
    observed: Observed, traits: Mapping[Trait, float], response: Response
) -> Causes:
    """The same of observations and the probabilities of the engine's traits."""
    seen = likelihood.see(response, stratum_of(traits), observed)
    asked = _asked(seen, priors(traits, response))
    options = _singles(seen, asked)
    options += _pairs(seen, asked, options)
    shares = _shares([option.log_weight for option in options])
    order = sorted(range(len(options)), key=lambda n: (-shares[n], options[n].causes))
    hypotheses = tuple(Hypothesis(options[n].causes, float(shares[n])) for n in order)
    best = [options[n] for n in order]
    weights = _Weights(seen, best, np.array([h.probability for h in hypotheses]))
    marginal = by_cause(hypotheses)
    ranked = sorted(marginal.items(), key=lambda item: (-item[1], item[0]))
    return Causes(hypotheses, weights.ranked(dict(ranked)), weights.unexplained())


def priors(traits: Mapping[Trait, float], response: Response) -> dict[str, float]:
    """Weight of each cause that this engine can have and the model knows something of."""
    found = {}
    for cause in CAUSES.values():
        weight = cause.prior * _possible(cause, traits)
        if weight >= LEAST_PRIOR and _known(cause, response):
            found[cause.key] = weight
    return found


def _possible(cause: Cause, traits: Mapping[Trait, float]) -> float:
    has = math.prod(traits[trait] for trait in cause.needs)
    return has * math.prod(1.0 - traits[trait] for trait in cause.lacks)


def _known(cause: Cause, response: Response) -> bool:
    """Whether anything tells it: learned, by the table, by codes or symptoms, or it is none."""
    none = cause.key in (NOTHING_WRONG, NOT_LISTED)
    told = cause.effects or cause.codes or cause.symptoms or cause.key in response.learned
    return bool((none or told) and cause.key not in response.hidden)


@dataclass(frozen=True, slots=True)
class _Option:
    """An explanation: log of prior times likelihood; for the likeliest severity, the mean and
    added standard deviation of every number, and the log likelihood of every answer."""

    causes: tuple[str, ...]
    prior: float
    log_weight: float
    mean: Values
    spread: Values
    answers: Values


@dataclass(frozen=True, slots=True)
class _Asked:
    """An explanation to be weighed: what it does to the numbers and how likely the answers are, at
    each of its settings."""

    causes: tuple[str, ...]
    prior: float
    effect: Effect
    answers: Values


def _options(seen: Seen, asked: Sequence[_Asked]) -> list[_Option]:
    """All at once, which is quick."""
    if not asked:
        return []
    sizes = [len(one.answers) for one in asked]
    mean, spread = (np.concatenate([one.effect[i] for one in asked]) for i in (0, 1))
    answers = np.concatenate([one.answers for one in asked])
    logs = likelihood.of_blocks(seen, mean, spread).sum(axis=1) * seen.response.temperature
    logs += answers.sum(axis=1)
    found = []
    for one, end, size in zip(asked, np.cumsum(sizes), sizes, strict=True):
        mine = logs[end - size : end]
        best = end - size + int(np.argmax(mine))
        weight = math.log(one.prior) + float(np.logaddexp.reduce(mine)) - math.log(size)
        found.append(
            _Option(one.causes, one.prior, weight, mean[best], spread[best], answers[best])
        )
    return found


def _asked(seen: Seen, weights: Mapping[str, float]) -> dict[str, _Asked]:
    """Every single cause with that weight; the two that are none have one setting."""
    n = len(seen.numbers)
    found = {}
    for cause, weight in weights.items():
        effect, answers = (np.zeros((1, n)), np.zeros((1, n))), _answers(seen, cause)
        if cause in (NOTHING_WRONG, NOT_LISTED):
            answers = answers[:1]
        else:
            effect = likelihood.effects_of(seen, cause)
        found[cause] = _Asked((cause,), weight, effect, answers)
    return found


def _answers(seen: Seen, cause: str) -> Values:
    return likelihood.of_answers(seen.response, seen.answers, cause)


def _singles(seen: Seen, asked: Mapping[str, _Asked]) -> list[_Option]:
    found = _options(seen, [one for cause, one in asked.items() if cause != NOT_LISTED])
    other = asked[NOT_LISTED]
    healthy = likelihood.of_blocks(seen, *asked[NOTHING_WRONG].effect)[0]
    total = likelihood.of_unlisted(seen, healthy) * seen.response.temperature
    total += float(other.answers.sum()) + math.log(other.prior)
    n = len(seen.numbers)
    broad = np.full(n, likelihood.UNLISTED_EVERYWHERE)
    found.append(_Option(other.causes, other.prior, total, np.zeros(n), broad, other.answers[0]))
    return found


def _pairs(seen: Seen, asked: Mapping[str, _Asked], singles: Sequence[_Option]) -> list[_Option]:
    """Of the causes that do best alone, and of the very best with every other."""
    real = [o for o in singles if o.causes[0] not in (NOTHING_WRONG, NOT_LISTED)]
    real.sort(key=lambda option: (-option.log_weight, option.causes))
    share = PAIR_WEIGHT * len(real) / 2.0 / sum(option.prior for option in singles)
    chosen = list(combinations(real[:PAIRED], 2))
    chosen += [(lead, other) for lead in real[:LED] for other in real[PAIRED:]]
    pairs = []
    for a, b in ((asked[one.causes[0]], asked[other.causes[0]]) for one, other in chosen):
        both = likelihood.pair_effects(a.effect, b.effect)
        told = likelihood.pair_answers(a.answers, b.answers, seen.answers)
        pairs.append(_Asked((*a.causes, *b.causes), share * a.prior * b.prior, both, told))
    return _options(seen, pairs)


def _shares(log_weights: Iterable[float]) -> Values:
    weights = np.array(list(log_weights))
    shares = np.exp(weights - weights.max())
    return np.asarray(shares / shares.sum())


class _Weights:
    """What each observation alone says of a cause against all others. Those of one block say much
    the same: their weights do not add up."""

    def __init__(self, seen: Seen, options: Sequence[_Option], shares: Values) -> None:
        self._seen, self._options, self._shares = seen, options, shares
        self._usual = seen.more.copy()
        for places, covariance in seen.blocks:
            self._usual[places] += np.diag(covariance)
        numbers = np.array([self._numbers(o.mean, o.spread) for o in options])
        self._alone = np.hstack((numbers, np.array([o.answers for o in options])))
        self._observations = [number.observation for number in seen.numbers]
        self._observations += [answer.observation for answer in seen.answers]

    def _numbers(self, mean: Values, spread: Values) -> Values:
        variance = self._usual + spread**2
        tails = likelihood.TAILS
        apart = (self._seen.value - mean) ** 2 / variance
        density = -(tails + 1.0) / 2.0 * np.log1p(apart / tails) - 0.5 * np.log(variance)
        return np.asarray(density)

    def ranked(self, causes: Mapping[str, float]) -> tuple[Ranked, ...]:
        """The causes with their probabilities, each with what speaks for it and against."""
        has = np.array([[cause in o.causes for o in self._options] for cause in causes], float)
        odds = self._mean(has) - self._mean(1.0 - has)
        keys = [observation.key for observation in self._observations]
        by_key = dict(zip(keys, self._observations, strict=True))
        same = np.array([[key == of for key in by_key] for of in keys], float)
        summed = odds @ same.reshape(len(keys), len(by_key))
        found = []
        for (cause, probability), row in zip(causes.items(), summed, strict=True):
            weights = [
                Weight(by_key[key], float(x))
                for key, x in zip(by_key, row, strict=True)
                if abs(x) >= SHOWN_ODDS and by_key[key].words
            ]
            weights.sort(key=lambda w: -abs(w.log_odds))
            pro = tuple(w for w in weights if w.log_odds > 0)[:MOST_SHOWN]
            contra = tuple(w for w in weights if w.log_odds < 0)[:MOST_SHOWN]
            found.append(Ranked(cause, min(1.0, probability), pro, contra))
        return tuple(found)

    def _mean(self, chosen: Values) -> Values:
        """Log of the mean likelihood of each observation over the explanations chosen, (causes,
        observations); `chosen`: (causes, explanations)."""
        shares = chosen * np.maximum(self._shares, 1e-300)
        shares /= np.maximum(shares.sum(axis=1, keepdims=True), 1e-300)
        highest = self._alone.max(axis=0)
        return np.asarray(
            np.log(np.maximum(shares @ np.exp(self._alone - highest), 1e-300)) + highest
        )

    def unexplained(self) -> tuple[Observation, ...]:
        """Numbers that are far from a healthy car's and from what the likeliest explanation, be it
        none, expects."""
        best = next(o for o in self._options if o.causes != (NOT_LISTED,))
        usual = self._usual
        from_healthy = np.abs(self._seen.value) / np.sqrt(usual)
        from_best = np.abs(self._seen.value - best.mean) / np.sqrt(usual + best.spread**2)
        far = (from_healthy >= UNEXPLAINED) & (from_best >= UNEXPLAINED)
        numbers = self._seen.numbers
        return tuple(numbers[k].observation for k in np.nonzero(far)[0])
