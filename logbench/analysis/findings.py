"""Making findings: the same wording and the same rules in every check; and the same in the units
chosen, for every page that shows them.

What findings may mean, what tells it apart and what to record next time are the rows of
`explanations.toml`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources

from logbench.analysis.bands import judge
from logbench.analysis.model import Band, Finding, Span, Verdict
from logbench.analysis.statement import in_units
from logbench.signals import numbers
from logbench.signals.units import METRIC, Units, unit_text

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


UNEXPLAINED = Explanation()

_ROWS = tomllib.loads(
    resources.files("logbench.analysis").joinpath("explanations.toml").read_text("utf-8")
)
ASKS: Mapping[str, Mapping[str, str]] = _ROWS.pop("asks")
"""By check: what it asks for where it cannot judge, by name."""
CAUSES = {name: Cause(**row) for name, row in _ROWS.pop("causes").items()}
"""Every cause that the program names, by the name it has in the file."""
EXPLANATIONS = {
    check: {
        name: Explanation(
            tuple(CAUSES[cause] for cause in row["causes"]),
            tuple(row["tell_apart"]),
            row.get("when", ""),
        )
        for name, row in rows.items()
    }
    for check, rows in _ROWS.items()
}
"""By check: its explanations by name, in the order of the file."""


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
        """A finding that says why it cannot tell and what to record next time: sentences, or names
        of what the check asks for."""
        asks = ASKS.get(self.check, {})
        return Finding(
            self.check,
            self.name,
            Verdict.NOT_JUDGED,
            reason,
            evidence=longest(evidence),
            next_steps=tuple(asks.get(step, step) for step in next_steps),
        )

    def not_recorded(self, missing: Sequence[str], *next_steps: str) -> Finding:
        """As `not_judged`, for signals that the recording lacks."""
        return self.not_judged(f"{' and '.join(missing)} was not recorded.", *next_steps)

    def judged(
        self,
        what: str,
        measured: Measured,
        band: Band,
        why: Explanation | str = UNEXPLAINED,
        above: str = "",
        *,
        at_most: Verdict = Verdict.ACT,
    ) -> Finding:
        """`measured` held against `band`; `what` names the number at the start of the reason, `why`
        what a number outside may mean: one of the check's explanations by name, or another one;
        `above` the same of one above the band, where that is something else.

        `at_most` caps the verdict where the evidence cannot carry more (`Verdict.WATCH`).
        """
        verdict = judge(band, measured.value, measured.half_width)
        verdict = min(verdict, at_most, band.at_most, key=lambda v: v.severity)
        if above and band.within[1] is not None and measured.value > band.within[1]:
            why = above
        reason = _sentence(what, measured, band, verdict)
        found = replace(self.finding(verdict, reason, measured, why, band.unit), band=band)
        return replace(found, next_steps=(_LONGER,)) if verdict is Verdict.NOT_JUDGED else found

    def finding(
        self,
        verdict: Verdict,
        reason: str,
        measured: Measured,
        why: Explanation | str = UNEXPLAINED,
        unit: str = "",
    ) -> Finding:
        """A finding of a count or a state, which no band judges; `reason` is its whole sentence,
        `why` as in `judged`."""
        value, half = (
            x if math.isfinite(x) else None for x in (measured.value, measured.half_width)
        )
        finding = Finding(
            self.check,
            self.name,
            verdict,
            reason,
            value,
            half,
            unit,
            evidence=longest(measured.evidence),
            numbers={k: v for k, v in measured.numbers.items() if math.isfinite(v)},
        )
        return explained(finding, EXPLANATIONS[self.check][why] if isinstance(why, str) else why)


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
    number = numbers.number_text(measured.value, measured.half_width, band.unit, signed)
    within, watch = (numbers.range_text(ends, band.unit) for ends in (band.within, band.watch))
    told = {
        Verdict.WITHIN: f"is within {within}",
        Verdict.WATCH: f"is outside {within} (to act: surely outside {watch})",
        Verdict.ACT: f"is outside {watch}",
        Verdict.NOT_JUDGED: f"is too uncertain to hold against {within}",
    }[verdict]
    return "; ".join([f"{what} {number} {told}", *measured.remarks]) + "."


# --- as it is shown ---


def number_text(finding: Finding, units: Units = METRIC) -> str:
    """The number with its unit and half width, with as many digits as that deserves."""
    if finding.value is None:
        return ""
    unit = units.unit(finding.unit)
    value = units.value(finding.value, finding.unit)
    half = finding.uncertainty
    if not half or not math.isfinite(half):
        return f"{numbers.value_text(value, unit)} {unit_text(unit)}".strip()
    half = units.value(half, finding.unit, difference=True)
    return f"{numbers.half_width_text(value, half)} {unit_text(unit)}".strip()


def ends_in(band: Band, ends: numbers.Ends, units: Units) -> numbers.Ends:
    """The ends of a range in the units chosen."""
    low, high = (None if end is None else units.value(end, band.unit) for end in ends)
    return low, high


def reason_text(finding: Finding, units: Units = METRIC) -> str:
    """The reason in the units chosen.

    The number and the band with which it begins are written from the finding itself, with the
    digits that it has; every other quantity of its sentences is converted where it stands.
    """
    band, value = finding.band, finding.value
    if value is None or units.line(finding.unit) == (1.0, 0.0):
        return in_units(finding.reason, units)
    if band is None:  # a figure: with two decimals in the checks
        figure = f"{value:.2f} {finding.unit}"
        return in_units(finding.reason.replace(figure, number_text(finding, units), 1), units)
    signed = band.within[0] is not None and band.within[0] < 0
    half = math.nan if finding.uncertainty is None else finding.uncertainty
    text = finding.reason
    number = numbers.number_text(value, half, band.unit, signed)
    text = text.replace(number, number_text(finding, units), 1)
    unit = unit_text(units.unit(band.unit))
    for ends in (band.within, band.watch):
        said = f"{numbers.limits(ends_in(band, ends, units), numbers.in_english)} {unit}"
        text = text.replace(numbers.range_text(ends, band.unit), said, 1)
    return in_units(text, units)
