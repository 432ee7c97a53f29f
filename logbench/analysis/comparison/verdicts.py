"""What has become of each finding, and the sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from logbench.analysis.comparison.results import (
    FindingResult,
    FindingVerdict,
    SignalResult,
    SignalVerdict,
    lost_among,
)
from logbench.analysis.findings import range_of
from logbench.analysis.model import Band, Finding, Verdict, heading
from logbench.analysis.statement import Quantity, joined, said
from logbench.signals.numbers import digits
from logbench.signals.units import difference_unit


def compare_findings(
    before: Sequence[Sequence[Finding]], after: Sequence[Sequence[Finding]]
) -> tuple[FindingResult, ...]:
    """One result a subject that any recording judged or tried to; of several recordings of a side
    the surest finding of each subject stands for it."""
    sides = [_surest(findings) for findings in (before, after)]
    keys = list(dict.fromkeys((*sides[0], *sides[1])))
    return tuple(_one(key, sides[0].get(key), sides[1].get(key)) for key in keys)


def _surest(recordings: Sequence[Sequence[Finding]]) -> dict[tuple[str, str], Finding]:
    """By (check, subject): a judged one before one that is not, then the narrowest interval."""
    found: dict[tuple[str, str], Finding] = {}
    for finding in (f for findings in recordings for f in findings):
        key = (finding.check, finding.subject)
        if key not in found or _rank(finding) < _rank(found[key]):
            found[key] = finding
    return found


def _rank(finding: Finding) -> tuple[bool, float]:
    half = finding.uncertainty if finding.uncertainty is not None else math.inf
    return finding.verdict is Verdict.NOT_JUDGED, half


def _one(key: tuple[str, str], before: Finding | None, after: Finding | None) -> FindingResult:
    verdict, reason = _verdict(before, after)
    return FindingResult(*key, verdict, reason, before, after)


def _verdict(before: Finding | None, after: Finding | None) -> tuple[FindingVerdict, str]:
    for name, side in (("before", before), ("after", after)):
        if side is None or side.verdict is Verdict.NOT_JUDGED:
            why = side.reason if side else "The other side's recording gave no such finding."
            text = said("Not judged {name}: {why}", name=name, why=why)
            return FindingVerdict.NOT_COMPARABLE, text
    assert before is not None
    assert after is not None
    if not _alike(before, after):
        return (
            FindingVerdict.NOT_COMPARABLE,
            "The two drives were held against different bands, because a fact of the car was stated"
            " for one of them only: state the same for both and compare again.",
        )
    if before.value is None or after.value is None:
        return _by_word(before, after)
    return _by_number(before, after, before.value, after.value)


def _alike(before: Finding, after: Finding) -> bool:
    """Both numbers are of the same kind: a plateau in degC is not one below the regulating
    temperature in K."""
    keys = [None if f.band is None else f.band.key for f in (before, after)]
    return before.unit == after.unit and (None in keys or keys[0] == keys[1])


def _by_word(before: Finding, after: Finding) -> tuple[FindingVerdict, str]:
    told = said(
        "{before} before, {after} after: {reason}",
        before=before.verdict.value,
        after=after.verdict.value,
        reason=after.reason,
    )
    step = after.verdict.severity - before.verdict.severity
    if step > 0:
        return FindingVerdict.WORSE, told
    if step < 0:
        gone = after.verdict is Verdict.WITHIN
        return (FindingVerdict.RESOLVED if gone else FindingVerdict.IMPROVED), told
    return FindingVerdict.UNCHANGED, told


def _by_number(
    before: Finding, after: Finding, first: float, second: float
) -> tuple[FindingVerdict, str]:
    """By the numbers, if they differ by more than both are uncertain. A number without an interval
    shows nothing by itself, but that it is another one."""
    halves = (before.uncertainty, after.uncertainty)
    half = math.hypot(*(h if h is not None else math.nan for h in halves))
    known = math.isfinite(half)
    change = second - first
    unit = difference_unit(after.unit)
    by = Quantity(change, unit, half if known else None, signed=True)
    decimals = max(digits(x, half) for x in (first, second))
    both = said(
        "{first} before, {second} after",
        first=Quantity(first, before.unit, decimals=decimals),
        second=Quantity(second, after.unit, decimals=decimals),
    )
    told = said("{both}, a change of {by}", both=both, by=by)
    severities = [finding.verdict.severity for finding in (before, after)]
    if change == 0.0 or (known and abs(change) <= half):
        why = "not more than the uncertainty" if change else "the same both times"
        return FindingVerdict.UNCHANGED, said("{told}: {why}.", told=told, why=why)
    if not any(severities):
        text = said("Within limits on both, changed by {by}: {both}.", by=by, both=both)
        return FindingVerdict.WITHIN_BOTH, text
    if not known:
        if severities[0] != severities[1]:
            return _by_word(before, after)
        why = "out of range both times; without an interval the change shows no more"
        return FindingVerdict.UNCHANGED, said("{told}: {why}.", told=told, why=why)
    away = [_outside(after.band or before.band, x) for x in (first, second)]
    if after.band is not None:
        band = range_of(after.band, after.band.within)
        told = said("{told} (band {band})", told=told, band=band)
    if not severities[1]:
        return FindingVerdict.RESOLVED, said("{told}: within its band now.", told=told)
    if severities[1] < severities[0] or (severities[1] == severities[0] and away[1] < away[0]):
        nearer = said("{told}: nearer to its band, not within it.", told=told)
        return FindingVerdict.IMPROVED, nearer
    return FindingVerdict.WORSE, said("{told}: further from its band.", told=told)


def _outside(band: Band | None, value: float) -> float:
    """How far `value` lies outside the band's inner range; 0 inside or without a band."""
    if band is None:
        return 0.0
    low, high = band.within
    return max(
        0.0, -math.inf if low is None else low - value, -math.inf if high is None else value - high
    )


def summary(
    signals: Sequence[SignalResult], findings: Sequence[FindingResult], comparable: bool
) -> str:
    """One or two sentences for the customer."""
    if not comparable:
        return "The two drives do not have enough in common to say whether anything has changed."
    by = {v: [f for f in findings if f.verdict is v] for v in FindingVerdict}
    open_ones = [
        f
        for f in (*by[FindingVerdict.UNCHANGED], *by[FindingVerdict.IMPROVED])
        if f.after is not None and f.after.verdict.severity
    ]
    lost = lost_among(findings)
    parts: list[str] = []
    if by[FindingVerdict.WORSE]:
        parts.append(f"Worse than before: {_named(by[FindingVerdict.WORSE])}.")
    if by[FindingVerdict.RESOLVED]:
        start = "" if lost else "What was out of its range is back in it. "
        start = (
            "What was out of its range is back in it, but not all of it is. "
            if open_ones
            else start
        )
        parts.append(f"{start}Resolved: {_named(by[FindingVerdict.RESOLVED])}.")
    elif by[FindingVerdict.IMPROVED]:
        parts.append(f"Better, but not back in range: {_named(by[FindingVerdict.IMPROVED])}.")
    elif open_ones:
        parts.append(f"Still out of range, no improvement shown: {_named(open_ones)}.")
    if lost:
        parts.append(f"Out of range before, not judged again after: {_named(lost)}.")
    parts.append(_of_signals(signals))
    return joined([part for part in parts if part], " ")


def _named(results: Sequence[FindingResult]) -> str:
    names = [f"{heading(r.check)} ({r.subject})" for r in results[:3]]
    more = len(results) - len(names)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")


def _of_signals(signals: Sequence[SignalResult]) -> str:
    changed = [s for s in signals if s.relevant]
    changed.sort(key=lambda s: (not s.derived, -abs(s.change or 0.0) / (s.everyday or 1.0)))
    if changed and changed[0].change is not None and changed[0].half_width is not None:
        s = changed[0]
        begins_small = not s.title[1:2].isupper()  # EGR stays EGR
        title = s.title[0].lower() + s.title[1:] if begins_small else s.title
        return said(
            "At equal operating points the {title} is {size} {way} than before.",
            title=title,
            size=Quantity(abs(s.change or 0.0), difference_unit(s.unit), s.half_width),
            way="lower" if (s.change or 0.0) < 0 else "higher",
        )
    judged = [s for s in signals if s.verdict is SignalVerdict.NO_CHANGE]
    if any(s.verdict is SignalVerdict.CHANGED for s in signals):
        return "At equal operating points nothing has changed by more than from day to day."
    return "At equal operating points no signal is shown to have changed." if judged else ""
