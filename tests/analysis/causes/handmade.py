"""Explanations made by hand, for tests of what is built on them."""

from logbench.analysis.causes.model import Causes, Hypothesis, Ranked, by_cause


def explained(**probabilities: float) -> Causes:
    """Causes by key, pairs as `a__b`, with their probabilities."""
    hypotheses = tuple(
        Hypothesis(tuple(name.split("__")), p)
        for name, p in sorted(probabilities.items(), key=lambda item: -item[1])
    )
    ranked = sorted(by_cause(hypotheses).items(), key=lambda item: -item[1])
    return Causes(hypotheses, tuple(Ranked(cause, p) for cause, p in ranked))


LEAN = explained(unmetered_air=0.45, maf_low=0.4, weak_fuel=0.1, not_listed=0.05)
