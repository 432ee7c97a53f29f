"""What has become of each finding, and the sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logbench.analysis.comparison.control import shown
from logbench.analysis.comparison.results import (
    FindingResult,
    FindingVerdict,
    SignalResult,
    SignalVerdict,
    lost_among,
)
from logbench.analysis.findings import distance_of, range_of
from logbench.analysis.model import Band, Coverage, Finding, Verdict, heading
from logbench.analysis.repeats import (
    MeanOfDrives,
    Repeats,
    Scatter,
    mean_of_drives,
    spread_of_drives,
)
from logbench.analysis.statement import Quantity, joined, said, said_n
from logbench.analysis.statistics import Interval, Values, interval
from logbench.signals.numbers import digits
from logbench.signals.units import difference_unit

NOT_OF_THE_CAR = ("recording",)
"""Checks that judge the recording, not the car: nothing of them is repaired."""

FOLLOWS = ("pattern",)
"""Subjects that say again, in words, what numbered findings of their check say."""


@dataclass(frozen=True, slots=True)
class _Side:
    """What the drives of one side say of one subject: the surest finding, with the mean of them all
    where there are numbers, and what that mean rests on."""

    finding: Finding
    drives: int
    error: MeanOfDrives | None


@dataclass(frozen=True, slots=True)
class _Pair:
    """One subject on both sides; `why` it does not compare, empty where it does."""

    key: tuple[str, str]
    before: _Side | None
    after: _Side | None
    scatter: Scatter
    why: str
    change: Interval | None = None

    @property
    def out(self) -> bool:
        """Whether it is out of its range on either side: only then anything may be claimed."""
        return any(s is not None and s.finding.verdict.severity for s in (self.before, self.after))


def compare_findings(
    before: Sequence[Sequence[Finding]], after: Sequence[Sequence[Finding]], repeats: Repeats
) -> tuple[FindingResult, ...]:
    """One result a subject that any recording judged or tried to. Numbers are held against what
    `repeats` says of the car's drives, and all that could be claimed of them against chance."""
    first, second = (_by_subject(findings) for findings in (before, after))
    keys = list(dict.fromkeys((*first, *second)))
    pairs = [_paired(key, first.get(key, []), second.get(key, []), repeats) for key in keys]
    p = [x.change.p if x.change is not None and x.out else math.nan for x in pairs]
    claimed = shown(p, [pair.scatter.family for pair in pairs])
    return tuple(_result(pair, claim) for pair, claim in zip(pairs, claimed, strict=True))


def _by_subject(recordings: Sequence[Sequence[Finding]]) -> dict[tuple[str, str], list[Finding]]:
    """Of all recordings of a side, by (check, subject): the surest first."""
    found: dict[tuple[str, str], list[Finding]] = {}
    for finding in (f for findings in recordings for f in findings):
        if finding.check not in NOT_OF_THE_CAR and finding.subject not in FOLLOWS:
            found.setdefault((finding.check, finding.subject), []).append(finding)
    return {key: sorted(findings, key=_rank) for key, findings in found.items()}


def _rank(finding: Finding) -> tuple[bool, float]:
    half = finding.uncertainty if finding.uncertainty is not None else math.inf
    return finding.verdict is Verdict.NOT_JUDGED, half


def _paired(
    key: tuple[str, str], before: Sequence[Finding], after: Sequence[Finding], repeats: Repeats
) -> _Pair:
    scatter = repeats.of(heading(*key))
    for findings in (before, after):
        scatter = spread_of_drives(scatter, *_numbers(findings))
    first, second = (_side(findings, scatter) for findings in (before, after))
    pair = _Pair(key, first, second, scatter, _why_not(first, second))
    if pair.why or first is None or second is None or first.error is None or second.error is None:
        return pair
    change = second.error.mean - first.error.mean
    size = scatter.at(0.5 * (first.error.mean + second.error.mean))
    between = size.error(first.error.squares + second.error.squares)
    return replace(pair, change=interval(change, between, first.error.own(), second.error.own()))


def _numbers(findings: Sequence[Finding]) -> tuple[Values, Values]:
    """The numbers held against a band, with their half widths, NaN where not known."""
    judged = [
        f for f in findings if f.coverage is Coverage.JUDGED and f.band and f.value is not None
    ]
    halves = [math.nan if f.uncertainty is None else f.uncertainty for f in judged]
    return np.array([f.value for f in judged], dtype=np.float64), np.array(halves)


def _side(findings: Sequence[Finding], scatter: Scatter) -> _Side | None:
    if not findings:
        return None
    surest = findings[0]
    values, halves = _numbers(findings)
    if surest.value is None or not len(values):
        return _Side(surest, sum(f.verdict is not Verdict.NOT_JUDGED for f in findings), None)
    error = mean_of_drives(scatter, values, halves)
    if len(values) > 1:
        surest = replace(surest, value=error.mean, uncertainty=error.own_half or None)
        if surest.band is not None:
            surest = replace(surest, verdict=distance_of(surest).verdict)
    return _Side(surest, len(values), error)


def _why_not(before: _Side | None, after: _Side | None) -> str:
    """Why a subject does not compare; empty where it does."""
    for name, side in (("before", before), ("after", after)):
        if side is None or side.finding.verdict is Verdict.NOT_JUDGED:
            why = side.finding.reason if side else _NO_SUCH
            return said("Not judged {name}: {why}", name=name, why=why)
    assert before is not None
    assert after is not None
    first, second = before.finding, after.finding
    keys = [None if f.band is None else f.band.key for f in (first, second)]
    if first.unit == second.unit and (None in keys or keys[0] == keys[1]):
        return ""
    # a plateau in degC is not one below the regulating temperature in K
    return (
        "The two drives were held against different bands, because a fact of the car was stated"
        " for one of them only: state the same for both and compare again."
    )


_NO_SUCH = "The other side's recording gave no such finding."


def _result(pair: _Pair, claimed: bool) -> FindingResult:
    before, after = (None if s is None else s.finding for s in (pair.before, pair.after))
    if pair.why or before is None or after is None:
        verdict, reason = FindingVerdict.NOT_COMPARABLE, pair.why
    elif pair.change is None:
        verdict, reason = _by_word(before, after)
    else:
        verdict, reason = _by_number(pair, pair.change, before, after, claimed)
    drives = [0 if s is None else s.drives for s in (pair.before, pair.after)]
    change, counts = pair.change, (drives[0], drives[1])
    return FindingResult(*pair.key, verdict, reason, before, after, change, counts)


def _by_word(before: Finding, after: Finding) -> tuple[FindingVerdict, str]:
    told = said(
        "{before} before, {after} after: {reason}",
        before=before.verdict.value,
        after=after.verdict.value,
        reason=after.reason,
    )
    if after.verdict.severity == before.verdict.severity:
        return FindingVerdict.NO_CHANGE, told
    return _way(before, after, away=(0.0, 0.0)), told


def _way(before: Finding, after: Finding, away: tuple[float, float]) -> FindingVerdict:
    """Which way a finding that has changed went; `away`: how far out of its band it lies."""
    first, second = (finding.verdict.severity for finding in (before, after))
    if not second:
        return FindingVerdict.RESOLVED
    if not first:
        return FindingVerdict.NEW
    better = second < first or (second == first and away[1] < away[0])
    return FindingVerdict.IMPROVED if better else FindingVerdict.WORSE


def _by_number(
    pair: _Pair, change: Interval, before: Finding, after: Finding, claimed: bool
) -> tuple[FindingVerdict, str]:
    """By the numbers, if they differ by more than the car does from one drive to the next."""
    first, second = before.value or 0.0, after.value or 0.0
    unit = difference_unit(after.unit)
    by = Quantity(change.value, unit, change.half_width, signed=True)
    decimals = digits(max(abs(first), abs(second)), change.half_width)
    both = said(
        "{first} before, {second} after",
        first=Quantity(first, before.unit, decimals=decimals),
        second=Quantity(second, after.unit, decimals=decimals),
    )
    told = said("{both}, a change of {by}", both=both, by=by)
    apart = abs(change.value) > change.half_width
    if apart and not pair.out:
        text = said("Within limits on both, changed by {by}: {both}.", by=by, both=both)
        return FindingVerdict.WITHIN_BOTH, text
    if not claimed:
        assert pair.before is not None
        assert pair.after is not None
        why = _BY_CHANCE if apart else _DAILY if change.value else "the same both times"
        told = said("{told}: {why}.", told=told, why=why)
        drives = pair.before.drives, pair.after.drives
        more = one_more(change.detectable, drives, unit) if pair.out else ""
        return FindingVerdict.NO_CHANGE, joined([told, more], " ") if more else told
    band = after.band or before.band
    verdict = _way(before, after, (_outside(band, first), _outside(band, second)))
    if after.band is not None:
        ends = range_of(after.band, after.band.within)
        told = said("{told} (band {band})", told=told, band=ends)
    return verdict, said("{told}: {where}.", told=told, where=_WHERE[verdict])


_DAILY = "no more than an untouched car moves from one drive to the next"
_BY_CHANCE = "among so many findings, one this far apart is to be expected by chance"
_WHERE = {
    FindingVerdict.RESOLVED: "within its band now",
    FindingVerdict.IMPROVED: "nearer to its band, not within it",
    FindingVerdict.WORSE: "further from its band",
    FindingVerdict.NEW: "out of its band now",
}


def one_more(detectable: float, drives: tuple[int, int], unit: str) -> str:
    """What one more drive of each side would show, where so many make `detectable` what it is."""
    now, then = (1.0 / (drives[0] + n) + 1.0 / (drives[1] + n) for n in (0, 1))
    size = detectable * math.sqrt(then / now)
    text = "One more drive of each side would show a change of {size} four times in five."
    return said(text, size=Quantity(size, unit))


def _outside(band: Band | None, value: float) -> float:
    """How far `value` lies outside the band's inner range; 0 inside or without a band."""
    if band is None:
        return 0.0
    low, high = band.within
    return max(
        0.0, -math.inf if low is None else low - value, -math.inf if high is None else value - high
    )


def summary(
    signals: Sequence[SignalResult],
    findings: Sequence[FindingResult],
    comparable: bool,
    rests: str = "",
) -> str:
    """What is known, for the customer: the change with its interval, what it `rests` on, and what
    it does not say."""
    if not comparable:
        return "The two drives do not have enough in common to say whether anything has changed."
    by = {v: [f for f in findings if f.verdict is v] for v in FindingVerdict}
    open_ones = [
        f
        for f in (*by[FindingVerdict.NO_CHANGE], *by[FindingVerdict.IMPROVED])
        if f.after is not None and f.after.verdict.severity
    ]
    lost = lost_among(findings)
    parts: list[str] = []
    if by[FindingVerdict.WORSE]:
        parts.append(said("Worse than before: {named}.", named=_named(by[FindingVerdict.WORSE])))
    if by[FindingVerdict.NEW]:
        parts.append(said("Out of range now: {named}.", named=_named(by[FindingVerdict.NEW])))
    if by[FindingVerdict.RESOLVED]:
        if open_ones:
            parts.append("What was out of its range is back in it, but not all of it is.")
        elif not lost:
            parts.append("What was out of its range is back in it.")
        parts.append(said("Resolved: {named}.", named=_named(by[FindingVerdict.RESOLVED])))
    elif by[FindingVerdict.IMPROVED]:
        named = _named(by[FindingVerdict.IMPROVED])
        parts.append(said("Better, but not back in range: {named}.", named=named))
    elif open_ones:
        named = _named(open_ones)
        parts.append(said("Still out of range, no improvement shown: {named}.", named=named))
    if lost:
        named = _named(lost)
        parts.append(said("Out of range before, not judged again after: {named}.", named=named))
    parts += [_of_signals(signals), rests]
    return joined([part for part in parts if part], " ")


def _named(results: Sequence[FindingResult]) -> str:
    named = [_with_change(r) for r in results[:3]]
    more = len(results) - len(named)
    return joined([*named, said("{n} more", n=more)] if more > 0 else named, ", ")


def _with_change(result: FindingResult) -> str:
    """`fuel trim (bank 1, warm idle, -14.1 ±6.2 points)`."""
    name, subject = heading(result.check), result.subject
    if result.change is None or result.after is None:
        return said("{name} ({subject})", name=name, subject=subject)
    unit = difference_unit(result.after.unit)
    by = Quantity(result.change.value, unit, result.change.half_width, signed=True)
    return said("{name} ({subject}, {by})", name=name, subject=subject, by=by)


def rests_on(signals: Sequence[SignalResult], drives: tuple[int, int]) -> str:
    """What a comparison rests on: drives, minutes, cells; and how well the car's own moving from
    drive to drive is known."""
    compared = [s for s in signals if s.change is not None]
    most = max(compared, key=lambda s: min(s.before_s, s.after_s), default=None)
    before = said_n("{n} drive before", "{n} drives before", drives[0])
    if most is None:
        text = said("It rests on {before} and {after} after.", before=before, after=drives[1])
    else:
        text = said(
            "It rests on {before} and {after} after, {first:.0f} and {second:.0f} min in {cells}.",
            before=before,
            after=drives[1],
            first=most.before_s / 60.0,
            second=most.after_s / 60.0,
            cells=said_n(
                "{n} shared operating cell", "{n} shared operating cells", len(most.cells)
            ),
        )
    learned = max((s.scatter.drives for s in compared if s.scatter), default=0)
    how = (
        said(
            "How far this car moves from drive to drive is learned from {n} of its own.", n=learned
        )
        if learned
        else "How far it moves from drive to drive by itself is taken from other cars."
    )
    return joined([text, how], " ")


def _of_signals(signals: Sequence[SignalResult]) -> str:
    changed = [s for s in signals if s.changed]
    changed.sort(key=lambda s: (not s.key.startswith("TOTAL_TRIM"), not s.derived, s.p or 0.0))
    if changed and changed[0].change is not None and changed[0].half_width is not None:
        s = changed[0]
        begins_small = not s.title[1:2].isupper()  # EGR stays EGR
        title = s.title[0].lower() + s.title[1:] if begins_small else s.title
        if abs(s.change or 0.0) <= (s.half_width or 0.0):
            by = min((cell.difference for cell in s.cells), key=lambda found: found.p)
            unit = difference_unit(s.unit)
            return said(
                "At equal operating points the {title} has changed unevenly, most by {size}.",
                title=title,
                size=Quantity(by.value, unit, by.half_width, signed=True),
            )
        return said(
            "At equal operating points the {title} is {size} {way} than before.",
            title=title,
            size=Quantity(abs(s.change or 0.0), difference_unit(s.unit), s.half_width),
            way="lower" if (s.change or 0.0) < 0 else "higher",
        )
    judged = any(s.verdict is SignalVerdict.NO_CHANGE for s in signals)
    return "At equal operating points no signal is shown to have changed." if judged else ""
