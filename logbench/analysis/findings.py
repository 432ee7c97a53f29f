"""Making findings: the same rules in every check, and the one grammar that writes their sentences,
for technician and owner, from what they hold.

What findings may mean, what tells it apart and what to record next time are the rows of
`explanations.toml`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources

from logbench.analysis.bands import Distance, distance, ends_beside
from logbench.analysis.causes.catalog import NAMED, Named
from logbench.analysis.cautions import CAUTIONS
from logbench.analysis.engine import Trait
from logbench.analysis.model import Band, Cap, Coverage, Finding, Range, Span, Verdict
from logbench.analysis.statement import Quantity, joined, marked, said
from logbench.analysis.view import View, reported, unoffered, why_left_out
from logbench.signals.numbers import Ends
from logbench.signals.units import METRIC, Units
from logbench.words import shown

MOST_EVIDENCE = 40
"""A finding names at most this many spans, the longest ones."""

_LONGER = "Record a longer stretch of this condition: the number is still too uncertain."


@dataclass(frozen=True, slots=True)
class Unless:
    """What keeps a part of a check from being judged: a trait of the engine that `holds`, or the
    lack of it, and why, as a clause. `subject`: its first words, or `*` for the whole check."""

    subject: str
    traits: tuple[Trait, ...]
    why: str
    holds: bool = True


@dataclass(frozen=True, slots=True)
class Explanation:
    """Causes in order of likelihood, what would tell them apart, with the cautions of that, and of
    what they are (for the documentation)."""

    causes: tuple[Named, ...] = ()
    tell_apart: tuple[str, ...] = ()
    when: str = ""


UNEXPLAINED = Explanation()

_ROWS = tomllib.loads(
    resources.files("logbench.analysis").joinpath("explanations.toml").read_text("utf-8")
)
ASKS: Mapping[str, Mapping[str, str]] = {
    check: {name: marked(text) for name, text in rows.items()}
    for check, rows in _ROWS.pop("asks").items()
}
"""By check: what it asks for where it cannot judge, by name."""
UNLESS: Mapping[str, tuple[Unless, ...]] = {
    check: tuple(
        Unless(name, tuple(map(Trait, row["traits"])), row["why"], row.get("holds", True))
        for name, row in rows
    )
    for check, rows in ((check, rows.items()) for check, rows in _ROWS.pop("unless").items())
}
"""By check: of which engines it, or a part of it, cannot be judged."""
EXPLANATIONS = {
    check: {
        name: Explanation(
            tuple(NAMED[cause] for cause in row["causes"]),
            (*map(marked, row["tell_apart"]), *(CAUTIONS[c].text for c in row.get("cautions", ()))),
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

    def not_judged(
        self,
        reason: str,
        *next_steps: str,
        evidence: Sequence[Span] = (),
        lacks: Coverage = Coverage.NOT_RECORDED,
    ) -> Finding:
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
            lacks=lacks,
        )

    def not_applicable(self, reason: str) -> Finding:
        """As `not_judged`, for what this car does not have."""
        return self.not_judged(reason, lacks=Coverage.NOT_APPLICABLE)

    def not_recorded(self, view: View, missing: Sequence[str], *next_steps: str) -> Finding:
        """As `not_judged`, for signals that the recording lacks, the car itself, or that are left
        out for what is odd about them."""
        lacking = unoffered(view, *missing)
        if lacking:
            text = said("This car does not offer {names}.", names=joined(lacking, " and "))
            return self.not_judged(text, lacks=Coverage.NOT_APPLICABLE)
        odd = [said("{a} {why}", a=a, why=why) for a in missing if (why := why_left_out(view, a))]
        never = [a for a in missing if not why_left_out(view, a)]
        if never:
            text = "{names} was not recorded" if len(never) == 1 else "{names} were not recorded"
            odd.append(said(text, names=joined(never, " and ")))
        return self.not_judged(joined(odd, end="."), *next_steps)

    def without(
        self, view: View, acronyms: Sequence[str], usual: bool, *next_steps: str
    ) -> Finding:
        """As `not_judged`, where none of `acronyms` is recorded: not applicable where the car
        offers none of them, or where nothing tells that it has such a thing, which is not `usual`.
        """
        listed = " or ".join(acronyms)
        offered = set(unoffered(view, *acronyms)) != set(acronyms)
        if offered and (usual or reported(view, *acronyms)):
            return self.not_judged(said("{listed} was not recorded.", listed=listed), *next_steps)
        return self.not_applicable(said("This car is not known to report {listed}.", listed=listed))

    def judged(
        self,
        what: str,
        measured: Measured,
        band: Band,
        why: Explanation | str = UNEXPLAINED,
        above: str = "",
        *,
        watch_at_most: str = "",
    ) -> Finding:
        """`measured` held against `band`; `what` names the number at the start of the reason, `why`
        what a number outside may mean: one of the check's explanations by name, or another one;
        `above` the same of one above the band, where that is something else.

        `watch_at_most`: why the evidence of this recording carries no more than `watch`, as a
        clause; empty where it does. It comes before the band's own.
        """
        verdict = distance(band, measured.value, measured.half_width).verdict
        cap = None
        if verdict is Verdict.ACT and (reason := watch_at_most or band.watch_at_most):
            cap, verdict = Cap(Verdict.WATCH, reason), Verdict.WATCH
        if above and band.within[1] is not None and measured.value > band.within[1]:
            why = above
        found = replace(
            self.finding(verdict, "", measured, why, band.unit),
            band=band,
            what=what,
            remarks=measured.remarks,
            cap=cap,
            lacks=Coverage.UNCERTAIN,
        )
        unsure = verdict is Verdict.NOT_JUDGED
        steps = (_LONGER,) if unsure else found.next_steps
        return replace(found, reason=sentence(found), next_steps=steps)

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


# --- the grammar ---


def quantity_of(finding: Finding) -> Quantity:
    """The number of a finding that has one."""
    assert finding.value is not None
    band = finding.band
    signed = band is not None and band.within[0] is not None and band.within[0] < 0
    return Quantity(finding.value, finding.unit, finding.uncertainty, signed=signed)


def distance_of(finding: Finding) -> Distance:
    """Where the number of a finding with a band lies."""
    value = math.nan if finding.value is None else finding.value
    assert finding.band is not None
    return distance(finding.band, value, finding.uncertainty)


def sentence(finding: Finding) -> str:
    """The technician's sentence of a finding with a band: the number, where it lies, what capped
    the verdict, what it rests on."""
    band = finding.band
    assert band is not None
    number: Quantity | str = "" if finding.value is None else quantity_of(finding)
    head = said("{what} {number} {place}", what=finding.what, number=number, place=_place(finding))
    clauses = [head]
    if finding.cap is not None:
        clauses.append(capped(finding.cap))
    return joined([*clauses, *finding.remarks], end=".")


def capped(cap: Cap) -> str:
    """`watch at most: …`, of a verdict that was lowered."""
    return said("{most} at most: {why}", most=cap.at_most.value, why=cap.reason)


_HOW = {"": "is {beside}", "a little ": "is a little {beside}", "surely ": "is surely {beside}"}


def _place(finding: Finding) -> str:
    """`is within -10 to 10 %`, `is a little above 110 °C (to act: surely above 118 °C)`."""
    band, where = finding.band, distance_of(finding)
    assert band is not None
    assert where is Distance.UNCERTAIN or finding.value is not None
    value = finding.value or 0.0
    beside = _beside(band, band.within, value)
    if where is Distance.UNCERTAIN:
        return said("is too uncertain to tell whether it is {beside}", beside=beside)
    if where is Distance.WITHIN:
        if None in band.within:
            return said("is not {beside}", beside=beside)
        return said("is within {band}", band=range_of(band, band.within))
    ends = band.watch if where.verdict is Verdict.ACT else band.within
    text = said(_HOW[where.how], beside=_beside(band, ends, value))
    may_act = where.verdict is Verdict.WATCH and not band.watch_at_most
    if may_act and ends_beside(band, value)[1] is not None:
        act = _beside(band, band.watch, value)
        text = said("{text} (to act: surely {act})", text=text, act=act)
    return text


def _beside(band: Band, ends: Range, value: float) -> str:
    """`outside -10 to 10 %`; of an open range `above 4 %` or `below 80 %`."""
    low, high = ends
    if low is None and high is None:
        return "limited"
    if low is not None and high is not None:
        return said("outside {ends}", ends=range_of(band, ends))
    if high is None:
        return said("below {end}", end=_end(low or 0.0, band.unit))
    return said("above {end}", end=_end(high, band.unit))


def range_of(band: Band, ends: Range) -> str:
    """A range of a band: `-10 to 10 %`, `at least 80 %`, `at most 2 V`, `any`."""
    low, high = ends
    if low is None:
        return "any" if high is None else said("at most {end}", end=_end(high, band.unit))
    if high is None:
        return said("at least {end}", end=_end(low, band.unit))
    return said("{ends}", ends=_end(low, band.unit, (high,)))


def _end(end: float, unit: str, others: tuple[float, ...] = ()) -> Quantity:
    return Quantity(end, unit, others=others, limit=True)


def owners_sentence(finding: Finding, about: str) -> str:
    """The same for the car's owner, by the same data: of a finding that is out of its range; what
    it is `about` in the owner's words."""
    if finding.band is None or finding.value is None:
        return finding.reason
    where = distance_of(finding)
    how = {
        Distance.WITHIN: "within",
        Distance.LITTLE: "a little outside",
        Distance.SURELY: "clearly outside",
        Distance.UNCERTAIN: "not surely within or outside",
    }.get(where, "outside")
    return said(
        "{about} ({subject}) is {how} the usual range: {number}{cap}.",
        about=about,
        subject=finding.subject,
        how=how,
        number=replace(quantity_of(finding), half=None),
        cap=" (a reason to watch, no more)" if finding.cap else "",
    )


# --- as it is shown ---


def number_text(finding: Finding, units: Units = METRIC) -> str:
    """The number with its unit and half width, as in its sentence; empty without one."""
    return "" if finding.value is None else quantity_of(finding).text(units, shown)


def ends_in(band: Band, ends: Ends, units: Units) -> Ends:
    """The ends of a range in the units chosen."""
    low, high = (None if end is None else units.value(end, band.unit) for end in ends)
    return low, high
