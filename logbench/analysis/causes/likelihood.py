"""How likely what was observed is under each explanation: numbers jointly by block, with heavy
tails; what is there or not, by tables. All logarithms are natural."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from logbench.analysis.causes.catalogue import CAUSES
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG
from logbench.analysis.causes.observations import Number, Observed, Said
from logbench.analysis.causes.response import Effect, Response, arranged, press, pressed, stretch

Values = npt.NDArray[np.float64]

PAIRED_AT = (1, 2, 3)
"""Settings of each of two causes that act together."""
TAILS = 6.0
"""Degrees of freedom of the scatter of a block."""
UNLISTED_SPREAD, UNLISTED_EVERYWHERE = 4.0, 1.5
"""Standard deviations by which something that is not listed may move the numbers of one block, or
all numbers. [CP]"""

CODE_SEEN, CODE_OTHER, CODE_HEALTHY = 0.35, 0.01, 0.002
"""How often a code of its list is there with a cause, another one, and with nothing wrong. [CP]"""
NO_CODE, NO_CODE_HEALTHY = 0.6, 0.97
"""How often no code at all is there. [CP]"""
SAID_SEEN, SAID_OTHER, SAID_HEALTHY = 0.5, 0.02, 0.01
"""How often a finding without a number comes with a cause it names, another one, none. [CP]"""
CHECK_SEEN, CHECK_OTHER, CHECK_HEALTHY = 0.5, 0.08, 0.03
"""The same of a check whose numbers are taken into account already. [CP]"""
SYMPTOM_SEEN, SYMPTOM_OTHER, SYMPTOM_HEALTHY = 0.4, 0.06, 0.03
"""How often a customer complains of it. [CP]"""
FAILED_SEEN, FAILED_OTHER, PASSED_SEEN, PASSED_OTHER = 0.4, 0.01, 0.4, 0.9
"""How often the car's own monitor of a cause failed, or passed, with it and without. [CP]"""


@dataclass(frozen=True, slots=True)
class Seen:
    """The numbers as the model takes them, (n,): pressed, and the variance that their own error
    adds; the blocks with their places and covariances."""

    numbers: tuple[Number, ...]
    value: Values
    more: Values
    blocks: tuple[tuple[list[int], Values], ...]
    response: Response
    stratum: str


def see(response: Response, stratum: str, observed: Observed) -> Seen:
    """Those numbers that the model knows."""
    kept = [n for n in observed.numbers if response.level(stratum, n.name) is not None]
    levels = [response.level(stratum, n.name) for n in kept]
    taken = [
        pressed(level, n.value, n.half) for n, level in zip(kept, levels, strict=True) if level
    ]
    blocks = tuple(arranged(response, [n.name for n in kept]))
    value, more = (np.array([t[i] for t in taken]) for i in (0, 1))
    return Seen(tuple(kept), value, more, blocks, response, stratum)


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


# --- what is there or not ---


def of_said(observed: Observed, causes: Sequence[str]) -> float:
    """Log likelihood of all that is there or not, under one explanation."""
    total = sum(math.log(chance) for _, chance in chances(observed, causes))
    if observed.codes == ():
        healthy = tuple(causes) == (NOTHING_WRONG,)
        total += math.log(NO_CODE_HEALTHY if healthy else NO_CODE ** len(causes))
    return total


def chances(observed: Observed, causes: Sequence[str]) -> list[tuple[Said, float]]:
    """How likely each of them is under an explanation."""
    found = [(said, _of_finding(said, causes)) for said in observed.said]
    found += [(said, _of_code(said, causes)) for said in observed.codes or ()]
    found += [(said, _of_symptom(said, causes)) for said in observed.symptoms]
    found += [(said, _of_monitor(said, fails, causes)) for said, fails in observed.monitors]
    return found


def _chance(causes: Sequence[str], mine: bool, seen: float, other: float, healthy: float) -> float:
    """Under causes of which it speaks for one (`mine`), for none, and with nothing wrong; what is
    not listed may be either."""
    if NOTHING_WRONG in causes:
        return healthy
    if NOT_LISTED in causes:
        return math.sqrt(seen * other)
    return seen if mine else other


def _of_finding(said: Said, causes: Sequence[str]) -> float:
    if not said.named:
        return 1.0
    seen, other, healthy = (
        (CHECK_SEEN, CHECK_OTHER, CHECK_HEALTHY)
        if said.measured
        else (SAID_SEEN, SAID_OTHER, SAID_HEALTHY)
    )
    return _chance(causes, bool(said.named & set(causes)), seen, other, healthy)


def _of_code(said: Said, causes: Sequence[str]) -> float:
    patterns = [CAUSES[cause].codes for cause in causes]
    mine = any(p and p.fullmatch(said.text) for p in patterns)
    return _chance(causes, mine, CODE_SEEN, CODE_OTHER, CODE_HEALTHY)


def _of_symptom(said: Said, causes: Sequence[str]) -> float:
    mine = any(said.text in CAUSES[cause].symptoms for cause in causes)
    return _chance(causes, mine, SYMPTOM_SEEN, SYMPTOM_OTHER, SYMPTOM_HEALTHY)


def _of_monitor(said: Said, fails: bool, causes: Sequence[str]) -> float:
    patterns = [CAUSES[cause].monitors for cause in causes]
    mine = any(p and p.search(said.text) for p in patterns)
    if fails:
        return _chance(causes, mine, FAILED_SEEN, FAILED_OTHER, FAILED_OTHER)
    return PASSED_SEEN if mine else PASSED_OTHER
