"""Making findings: the same wording and the same rules in every check."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from logbench.analysis.bands import judge
from logbench.analysis.model import Band, Finding, Span, Verdict
from logbench.signals.numbers import number_text, range_text

MOST_EVIDENCE = 40
"""A finding names at most this many spans, the longest ones."""

_LONGER = "Record a longer stretch of this condition: the number is still too uncertain."


@dataclass(frozen=True, slots=True)
class Cause:
    """What a finding may mean: a short name for machines and the trade's words for people."""

    key: str
    text: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """Causes in order of likelihood, what would tell them apart, and of what they are (for the
    documentation)."""

    causes: tuple[Cause, ...] = ()
    tell_apart: tuple[str, ...] = ()
    when: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """A number to be judged: value, half width of its 95 % interval (NaN: not known), what it rests
    on, remarks that weaken it (each a clause without a full stop), and further figures."""

    value: float
    half_width: float = float("nan")
    evidence: Sequence[Span] = ()
    remarks: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Subject:
    """What a finding is about, `name` in a few words, of the check with that key. It makes the
    finding, whatever comes of it."""

    check: str
    name: str

    def not_judged(self, reason: str, *next_steps: str, evidence: Sequence[Span] = ()) -> Finding:
        """A finding that says why it cannot tell and what to record next time."""
        return Finding(
            self.check,
            self.name,
            Verdict.NOT_JUDGED,
            reason,
            evidence=longest(evidence),
            next_steps=next_steps,
        )

    def not_recorded(self, missing: Sequence[str], *next_steps: str) -> Finding:
        """As `not_judged`, for signals that the recording lacks."""
        return self.not_judged(f"{' and '.join(missing)} was not recorded.", *next_steps)

    def judged(
        self,
        what: str,
        measured: Measured,
        band: Band,
        explanation: Explanation | None = None,
        *,
        at_most: Verdict = Verdict.ACT,
    ) -> Finding:
        """`measured` held against `band`; `what` names the number at the start of the reason.

        `at_most` caps the verdict where the evidence cannot carry more (`Verdict.WATCH`).
        """
        half = measured.half_width
        verdict = judge(band, measured.value, half)
        if verdict.severity > at_most.severity:
            verdict = at_most
        finding = Finding(
            check=self.check,
            subject=self.name,
            verdict=verdict,
            reason=_sentence(what, measured, band, verdict),
            value=measured.value if math.isfinite(measured.value) else None,
            uncertainty=half if math.isfinite(half) else None,
            unit=band.unit,
            band=band,
            evidence=longest(measured.evidence),
            next_steps=(_LONGER,) if verdict is Verdict.NOT_JUDGED else (),
            numbers={k: v for k, v in measured.numbers.items() if math.isfinite(v)},
        )
        return finding if explanation is None else explained(finding, explanation)


def explained(finding: Finding, explanation: Explanation) -> Finding:
    """The finding with causes and what tells them apart, if it is `watch` or `act`."""
    if finding.verdict.severity == 0:
        return finding
    return replace(
        finding,
        causes=tuple(cause.text for cause in explanation.causes),
        next_steps=explanation.tell_apart,
    )


def longest(spans: Sequence[Span]) -> tuple[Span, ...]:
    """The longest spans, at most `MOST_EVIDENCE`, in order of time, as plain spans."""
    plain = [Span(s.start_ns, s.end_ns) for s in spans]
    if len(plain) > MOST_EVIDENCE:
        plain = sorted(plain, key=lambda s: s.start_ns - s.end_ns)[:MOST_EVIDENCE]
    return tuple(sorted(plain, key=lambda s: s.start_ns))


def _sentence(what: str, measured: Measured, band: Band, verdict: Verdict) -> str:
    signed = band.within[0] is not None and band.within[0] < 0
    number = number_text(measured.value, measured.half_width, band.unit, signed)
    within, watch = range_text(band.within, band.unit), range_text(band.watch, band.unit)
    told = {
        Verdict.WITHIN: f"is within {within}",
        Verdict.WATCH: f"is outside {within} (to act: surely outside {watch})",
        Verdict.ACT: f"is outside {watch}",
        Verdict.NOT_JUDGED: f"is too uncertain to hold against {within}",
    }[verdict]
    return "; ".join([f"{what} {number} {told}", *measured.remarks]) + "."
