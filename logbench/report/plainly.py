"""What stands on page one in the words of a car's owner, where the technician reads the trade's."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logbench.analysis.comparison.results import Comparison, FindingResult, FindingVerdict
from logbench.analysis.model import Finding
from logbench.analysis.run import plain_words
from logbench.analysis.statement import Quantity, in_units, said
from logbench.signals.units import Units, difference_unit
from logbench.words import inside, shown, tr, tr_n, word

MOST_NAMED = 3
TOTAL_TRIM = "fuel_trim_total"
"""The band of what the engine computer adds or takes away; other trim bands are differences."""


def about(finding: Finding) -> str:
    """What a finding looks at, to begin a sentence with."""
    return (finding.band and finding.band.plain) or plain_words(finding.check)


def fuel_added(finding: Finding) -> str:
    """What the engine computer adds to the fuel or takes from it; empty for other findings."""
    if finding.band is not None and finding.band.key == TOTAL_TRIM and finding.value is not None:
        text = "The engine computer adds {much} of the fuel to keep the mixture right."
        if finding.value < 0.0:
            text = "The engine computer takes away {much} of the fuel to keep the mixture right."
        return said(text, much=Quantity(abs(finding.value), "%", decimals=0))
    return ""


def pattern(finding: Finding) -> str:
    """How the fuel added goes with the air the engine draws, of the finding that tells a pattern of
    the fuel trims; empty for others."""
    idle, high = (finding.numbers.get(key) for key in ("idle_pct", "highest_airflow_pct"))
    if finding.subject != "pattern" or idle is None or high is None:
        return ""
    text = (
        "What the engine computer adds to the fuel goes from {idle} at idle to {high} where the "
        "engine draws more air."
    )
    shares = {"idle": idle, "high": high}
    return said(text, **{k: Quantity(v, "%", decimals=0, signed=True) for k, v in shares.items()})


# --- after the work ---


def what_became(comparison: Comparison, units: Units) -> Iterator[str]:
    """What became of what was out of its range, by how much each number changed, and what that
    rests on."""
    if not comparison.comparable:
        yield tr(
            "The drives before and after the work do not have enough in common to say whether "
            "anything has changed."
        )
        return
    by = {v: [f for f in comparison.findings if f.verdict is v] for v in FindingVerdict}
    still = [
        f for f in by[FindingVerdict.NO_CHANGE] if f.after is not None and f.after.verdict.severity
    ]
    resolved, better = by[FindingVerdict.RESOLVED], by[FindingVerdict.IMPROVED]
    all_of_it = resolved and not (better or still or comparison.lost)
    back = tr("What was out of its range is back in it:") if all_of_it else tr("Back in range:")
    groups = (
        (tr("Worse than before:"), by[FindingVerdict.WORSE]),
        (tr("Out of range now:"), by[FindingVerdict.NEW]),
        (tr("Still out of range, no change shown:"), still),
        (tr("Better, but not back in range:"), better),
        (tr("Out of range before, not judged again after the work:"), comparison.lost),
        (back, resolved),
    )
    for head, results in groups:
        if results:
            yield f"{head} {_named(results, units)}."
    if not any(results for _, results in groups):
        yield tr("Nothing was out of its range, before or after the work.")
    drives = [max((f.drives[side] for f in comparison.findings), default=0) for side in (0, 1)]
    if all(drives):
        before = tr_n("{n} drive before the work", "{n} drives before the work", drives[0])
        after = tr_n("{n} after it", "{n} after it", drives[1])
        text = tr("Shown by {before} and {after}; behind ± stands how sure: in 19 of 20 such "
                  "cases the change lies within it.", before=before, after=after)  # fmt: skip
        yield text


def _named(results: Sequence[FindingResult], units: Units) -> str:
    """`the amount by which … (bank 1, warm idle: -14.1 ±6.2 points; bank 1, load)`, each check
    once."""
    by_check: dict[str, list[str]] = {}
    for result in results[:MOST_NAMED]:
        finding = result.before or result.after
        what = plain_words(result.check) if finding is None else about(finding)
        by_check.setdefault(inside(shown(what)), []).append(_subject(result, units))
    named = [f"{what} ({'; '.join(subjects)})" for what, subjects in by_check.items()]
    more = len(results) - MOST_NAMED
    return ", ".join([*named, tr("{n} more", n=more)] if more > 0 else named)


def _subject(result: FindingResult, units: Units) -> str:
    if result.change is None or result.after is None:
        return word(result.subject)
    unit = difference_unit(result.after.unit)
    by = Quantity(result.change.value, unit, result.change.half_width, signed=True)
    return in_units(said("{subject}: {by}", subject=result.subject, by=by), units)
