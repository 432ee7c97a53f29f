"""The words of causes: hypotheses, what speaks for them and against, each as plain data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from logbench.analysis.model import Span

NOTHING_WRONG, NOT_LISTED = "nothing_wrong", "not_listed"
"""Keys of the two causes that are none."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One explanation: keys of one cause or of two that act together; all of them sum to 1."""

    causes: tuple[str, ...]
    probability: float


@dataclass(frozen=True, slots=True)
class Observation:
    """Something that was seen: its key (`check|subject`, `code|P0171`, `test|smoke_test`), the
    technician's words, where in the recording. `finding`: its place in the findings handed in."""

    key: str
    words: str
    spans: tuple[Span, ...] = ()
    finding: int | None = None


@dataclass(frozen=True, slots=True)
class Weight:
    """What an observation says of a cause: the natural logarithm of how much likelier it is with
    the cause than without; above 0 it speaks for it."""

    observation: Observation
    log_odds: float


@dataclass(frozen=True, slots=True)
class Ranked:
    """A cause with its probability, alone or in a pair; what speaks for it and against, the
    heaviest first."""

    cause: str
    probability: float
    pro: tuple[Weight, ...] = ()
    contra: tuple[Weight, ...] = ()


@dataclass(frozen=True, slots=True)
class Causes:
    """All explanations, the likeliest first; the same by cause; what no listed cause explains."""

    hypotheses: tuple[Hypothesis, ...]
    ranked: tuple[Ranked, ...]
    unexplained: tuple[Observation, ...] = ()


def by_cause(hypotheses: Iterable[Hypothesis]) -> dict[str, float]:
    """The probability of each cause, alone or in a pair: of pairs each of the two has it all."""
    found: dict[str, float] = {}
    for hypothesis in hypotheses:
        for cause in hypothesis.causes:
            found[cause] = found.get(cause, 0.0) + hypothesis.probability
    return found
