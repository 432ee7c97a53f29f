"""How likely what was observed is under each explanation: numbers jointly by block, with heavy
tails; answers as drives taught it, or by the table of causes. All logarithms are natural."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG, Observation
from logbench.analysis.causes.observations import (
    NOTHING,
    Answer,
    Number,
    Observed,
    causes_of_code,
)
from logbench.analysis.causes.response import (
    SETTINGS,
    Answers,
    Effect,
    Response,
    arranged,
    press,
    pressed,
    stretch,
)

Values = npt.NDArray[np.float64]

PAIRED_AT = (1, 3)
"""Settings of each of two causes that act together."""
TAILS = 6.0
"""Degrees of freedom of the scatter of a block."""
UNLISTED_SPREAD, UNLISTED_EVERYWHERE = 4.0, 1.5
"""Standard deviations by which something that is not listed may move the numbers of one block, or
all numbers. [CP]"""

CHANCES = {
    "check": (0.4, 0.05, 0.02),
    "code": (0.35, 0.01, 0.002),
    "symptom": (0.4, 0.06, 0.03),
    "monitor": (0.4, 0.01, 0.01),
}
"""How often, by kind of question, something comes with a cause that it speaks for, with another
one, and with nothing wrong, where no drive taught it. [CP]"""
STILL = {"check": 0.8, "code": 0.65, "symptom": 1.0, "monitor": 0.5}
"""How often, against a sound car, nothing comes with a cause that it would speak for. [CP]"""
WEIGHTS = {"check": 0.65, "code": 1.0, "symptom": 1.0, "monitor": 1.0}
"""What answers count, since numbers say part of the same: see docs/causes.md."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The numbers as the model takes them, (n,): pressed, and the variance that their own error
    adds; the blocks with their places and covariances; the answers."""

    numbers: tuple[Number, ...]
    answers: tuple[Answer, ...]
    value: Values
    more: Values
    blocks: tuple[tuple[list[int], Values], ...]
    response: Response
    stratum: str


def see(response: Response, stratum: str, observed: Observed) -> Seen:
    """Those numbers that the model knows; a monitor whose result is among them answers nothing."""
    kept = [n for n in observed.numbers if response.level(stratum, n.name) is not None]
    levels = [response.level(stratum, n.name) for n in kept]
    taken = [
        pressed(level, n.value, n.half) for n, level in zip(kept, levels, strict=True) if level
    ]
    blocks = tuple(arranged(response, [n.name for n in kept]))
    value, more = (np.array([t[i] for t in taken]) for i in (0, 1))
    told = {n.observation.key for n in kept}
    answers = (a for a in asked_of(response, observed) if a.question not in told)
    return Seen(tuple(kept), tuple(answers), value, more, blocks, response, stratum)


def effects_of(seen: Seen, cause: str) -> Effect:
    """Mean and added standard deviation of every number at each severity, (settings, n) each."""
    names = [number.name for number in seen.numbers]
    return seen.response.effects_on(seen.stratum, cause, names)


def pair_effects(first: Effect, second: Effect) -> Effect:
    """Two causes at once: what they do adds up, before it is pressed; every severity of one with
    every one of the other, (m * m, n)."""
    (a, b), (c, d) = ([x[list(PAIRED_AT)] for x in effect] for effect in (first, second))
    mean = press(stretch(a)[:, None, :] + stretch(c)[None, :, :])
    spread = np.hypot(b[:, None, :], d[None, :, :])
    size = len(PAIRED_AT) ** 2
    return mean.reshape(size, -1), spread.reshape(size, -1)


def of_blocks(seen: Seen, mean: Values, spread: Values) -> Values:
    """Log likelihood of each block under each of m settings, (m, blocks)."""
    out = np.zeros((len(mean), len(seen.blocks)))
    for b, (places, covariance) in enumerate(seen.blocks):
        added = spread[:, places] ** 2 + seen.more[places]
        out[:, b] = student(seen.value[places] - mean[:, places], covariance, added)
    return out


def student(apart: Values, covariance: Values, added: Values) -> Values:
    """Log density of a multivariate Student's t of `TAILS` degrees of freedom, (m,): `apart` (m,
    d) from its middle, scatter `covariance` (d, d) with `added` (m, d) on its diagonal."""
    d = apart.shape[1]
    scatter = covariance[None] + added[:, :, None] * np.eye(d)[None]
    root = np.linalg.cholesky(scatter)
    solved = np.linalg.solve(root, apart[:, :, None])[:, :, 0]
    half_log = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    whole = gammaln((TAILS + d) / 2.0) - gammaln(TAILS / 2.0) - d / 2.0 * math.log(TAILS * math.pi)
    distance = (solved**2).sum(axis=1)
    return np.asarray(whole - half_log - (TAILS + d) / 2.0 * np.log1p(distance / TAILS))


def of_unlisted(seen: Seen, healthy: Values) -> float:
    """Log likelihood of something that nobody drew: it moves the numbers of one block, or all of
    them a little, in any direction. `healthy`, (blocks,): with nothing wrong."""
    n, count = len(seen.numbers), len(seen.blocks)
    if not count:
        return 0.0
    nothing = np.zeros((1, n))
    broad = of_blocks(seen, nothing, np.full((1, n), UNLISTED_SPREAD))[0]
    everywhere = of_blocks(seen, nothing, np.full((1, n), UNLISTED_EVERYWHERE))[0].sum()
    ways = np.append(healthy.sum() - healthy + broad, everywhere)
    return float(np.logaddexp.reduce(ways) - math.log(count + 1))


# --- what was answered ---


def asked_of(response: Response, observed: Observed) -> tuple[Answer, ...]:
    """The answers, and that the codes which drives taught are not there, where they are not."""
    answers = observed.answers
    if not observed.codes_known:
        return answers
    there = {answer.question for answer in answers}
    absent = Observation("code|", "codes that are not there")
    return answers + tuple(
        Answer(question, NOTHING, absent, causes_of_code(question.partition("|")[2]))
        for question in response.answers
        if question.startswith("code|") and question not in there
    )


def of_answers(response: Response, answers: Sequence[Answer], cause: str) -> Values:
    """Log likelihood of every answer at each severity of a cause, (settings, n), weighted."""
    found = np.empty((SETTINGS, len(answers)))
    for n, answer in enumerate(answers):
        found[:, n] = WEIGHTS[_kind(answer)] * np.log(_chance(response, answer, cause))
    return found


def pair_answers(first: Values, second: Values, answers: Sequence[Answer]) -> Values:
    """Of two causes at once: what comes, comes of the one that makes it likelier; nothing comes
    where neither brings it, (m * m, n)."""
    a, b = (x[list(PAIRED_AT)] for x in (first, second))
    still = np.array([answer.answer == NOTHING for answer in answers], bool)
    one, other = a[:, None, :], b[None, :, :]
    both = np.where(still, np.minimum(one, other), np.maximum(one, other))
    return np.asarray(both.reshape(len(PAIRED_AT) ** 2, -1))


def _kind(answer: Answer) -> str:
    return answer.question.partition("|")[0]


def _chance(response: Response, answer: Answer, cause: str) -> Values | float:
    """At each severity: as drives taught it, or by the table of causes."""
    learned = response.answers.get(answer.question)
    if learned is not None and (cause in response.learned or cause == NOTHING_WRONG):
        by_cause = learned.get(answer.answer)
        return UNHEARD if by_cause is None else by_cause.get(cause, by_cause[NOTHING_WRONG])
    return _of_table(learned, answer, cause)


UNHEARD = 0.005
"""An answer that no drive gave."""


def _of_table(learned: Answers | None, answer: Answer, cause: str) -> float:
    kind = _kind(answer)
    seen, other, healthy = CHANCES[kind]
    if learned is not None:
        known = learned.get(answer.answer)
        healthy = UNHEARD if known is None else float(known[NOTHING_WRONG][0])
    elif answer.answer == NOTHING:
        healthy = 1.0 - healthy
    if cause == NOTHING_WRONG:
        return healthy
    if answer.answer == NOTHING:
        return healthy * (STILL[kind] if cause in answer.named else 1.0 - other)
    if cause == NOT_LISTED:
        return max(healthy, math.sqrt(seen * other))
    if cause not in answer.named:
        return max(healthy, CHECK_TOLD if answer.measured else other)
    return max(healthy, seen)


CHECK_TOLD = 0.08
"""Of a check whose numbers are taken into account already, for a cause that it does not name."""
