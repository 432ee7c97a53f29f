"""What each cause does to each number: the model learned from simulated drives (`learned.json`,
made by `tests.analysis.causes.learn`), and by the table of effects for causes that they cannot
have.

A number is measured in standard deviations of cars of its kind from their middle, and pressed
together far out (`press`), so that no single wild number can decide. A cause moves it along a curve
of its severity, and makes it scatter more.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache, lru_cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.engine import Trait

Values = npt.NDArray[np.float64]

PRESSED_FROM = 3.0
STRATA = ("diesel", "hybrid", "charged", "metered by flow", "metered by pressure")
LISTED_SPREAD, OTHER_SPREAD = 0.6, 0.4
"""Scatter of what a cause of the table does: of the size of the effect, and of numbers that the
table does not name. [CP]"""
POOLED = "all"


def press(z: Values) -> Values:
    """Linear near 0, logarithmic far out."""
    return np.asarray(PRESSED_FROM * np.arcsinh(z / PRESSED_FROM))


def stretch(g: Values) -> Values:
    """The inverse of `press`."""
    return np.asarray(PRESSED_FROM * np.sinh(g / PRESSED_FROM))


def stratum_of(traits: Mapping[Trait, float]) -> str:
    """The kind of engine whose numbers belong together, by what is likeliest."""
    if traits[Trait.COMPRESSION] >= 0.5:
        return "diesel"
    if traits[Trait.HYBRID] >= 0.5:
        return "hybrid"
    if traits[Trait.CHARGED] >= 0.5:
        return "charged"
    return "metered by flow" if traits[Trait.FLOW_SENSOR] >= 0.5 else "metered by pressure"


@dataclass(frozen=True, slots=True)
class Level:
    """Of one number in one kind of engine: middle, standard deviation, usual standard error."""

    middle: float
    scale: float
    error: float


NODES = np.array((0.25, 0.5, 0.75, 1.0))
"""Severities at which drives were simulated; what a cause does is a curve through them."""
BEYOND = 1.4
"""A severity worse than the plainest that was simulated: what it does grows in proportion."""
SETTINGS = len(NODES) + 1
Answers = Mapping[str, Mapping[str, Values]]
"""How often a question has each answer: by answer and cause, at `NODES` and `BEYOND`; a cause that
is not there answers as a sound car (`nothing_wrong`) does."""
Effect = tuple[Values, Values]
"""Mean and standard deviation that a cause adds to one number at `NODES` and `BEYOND`."""


@dataclass(frozen=True, slots=True)
class Response:
    """The model. `blocks`: numbers that are taken jointly, each with the covariance of their
    scatter, (n, n). `levels` by kind of engine and number; `effects` by kind of engine (`POOLED`
    where none of its drives had that cause), cause and number; a number that is not there is left
    alone."""

    blocks: tuple[tuple[tuple[str, ...], Values], ...]
    levels: Mapping[str, Mapping[str, Level]]
    effects: Mapping[str, Mapping[str, Mapping[str, Effect]]]
    temperature: float
    learned: frozenset[str]
    """Causes that the simulated cars have."""
    answers: Mapping[str, Answers]
    """By question."""
    hidden: frozenset[str] = frozenset()
    """Causes that are taken out of the list, to see what becomes of the rest."""

    def level(self, stratum: str, key: str) -> Level | None:
        """None where this kind of engine has never shown that number."""
        return self.levels.get(stratum, {}).get(key)

    def effects_on(self, stratum: str, cause: str, keys: Sequence[str]) -> Effect:
        """What a cause does to numbers, (settings, n) each."""
        if cause in self.learned:
            own = self.effects.get(stratum, {}).get(cause)
            known = self.effects[POOLED][cause] if own is None else own
            found = [known.get(key, _LEFT_ALONE) for key in keys]
        else:
            found = [_of_table(cause, key) for key in keys]
        if not found:
            return np.zeros((SETTINGS, 0)), np.zeros((SETTINGS, 0))
        mean, spread = (np.stack([effect[i] for effect in found], axis=1) for i in (0, 1))
        return mean, spread

    def without(self, cause: str) -> Response:
        """The model for a list in which that cause is missing."""
        return replace(self, hidden=self.hidden | {cause})


def _over(nodes: Values) -> Values:
    """Of numbers at `NODES`, those at every setting."""
    return np.append(nodes, BEYOND * nodes[-1])


def _effect(numbers: Values) -> Effect:
    """Of the file: means at the nodes, then standard deviations."""
    return _over(numbers[: len(NODES)]), _over(numbers[len(NODES) :])


_LEFT_ALONE: Effect = (np.zeros(SETTINGS), _over(0.1 * NODES))


@cache
def _of_table(cause: str, key: str) -> Effect:
    """By the first pattern of the table that fits."""
    effects, subject = CAUSES[cause].effects, key.rpartition("|")[0]
    strength = next((x for pattern, x in effects.items() if fnmatchcase(subject, pattern)), None)
    if strength is None:
        return np.zeros(SETTINGS), _over(OTHER_SPREAD * NODES if effects else 0.0 * NODES)
    mean = press(strength * NODES)
    return _over(mean), _over(LISTED_SPREAD * (1.0 + np.abs(mean) / 2.0))


@lru_cache(maxsize=1)
def learned_response() -> Response:
    """The model of the package."""
    source = resources.files("logbench.analysis.causes").joinpath("learned.json")
    return read_response(json.loads(source.read_text("utf-8")))


def read_response(row: Mapping[str, Any]) -> Response:
    """The model of its file: see `tests/analysis/causes/learn.py`, which writes it."""
    effects = {
        stratum: {
            cause: {key: _effect(x) for key, x in found.items()} for cause, found in causes.items()
        }
        for stratum, causes in row["effects"].items()
    }
    levels = {
        stratum: {key: Level(*numbers) for key, numbers in found.items()}
        for stratum, found in row["levels"].items()
    }
    blocks = tuple((tuple(block["keys"]), np.array(block["covariance"])) for block in row["blocks"])
    answers = {
        question: {
            answer: {cause: _answered(np.array(x)) for cause, x in found.items()}
            for answer, found in by_answer.items()
        }
        for question, by_answer in row["answers"].items()
    }
    learned = frozenset(row["learned"])
    return Response(blocks, levels, effects, row["temperature"], learned, answers)


def _answered(nodes: Values) -> Values:
    """Beyond the last node as there."""
    return np.append(nodes, nodes[-1])


def pressed(level: Level, value: float, half: float) -> tuple[float, float]:
    """A number as the model takes it, and the variance by which its own error exceeds the usual
    one."""
    z = (value - level.middle) / level.scale
    slope = 1.0 / np.sqrt(1.0 + (z / PRESSED_FROM) ** 2)
    own = 0.0 if not np.isfinite(half) else half / 1.96
    more = max(0.0, own**2 - level.error**2) / level.scale**2
    return float(press(np.array(z))), float(more * slope**2)


def arranged(response: Response, keys: Sequence[str]) -> list[tuple[list[int], Values]]:
    """The numbers that are there, block by block: their places in `keys` and their covariance;
    blocks without any are left out."""
    place = {key: n for n, key in enumerate(keys)}
    found = []
    for names, covariance in response.blocks:
        there = [n for n, name in enumerate(names) if name in place]
        if there:
            found.append(([place[names[n]] for n in there], covariance[np.ix_(there, there)]))
    return found
