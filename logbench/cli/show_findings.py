"""How findings look in a terminal. Verdicts carry a word as well as a style, so that color is never
the only cue."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logbench.analysis.findings import number_text, range_of
from logbench.analysis.run import missing_steps
from logbench.cli.show import bullets, clock, console, say, table, text
from logbench.foreign import joined
from logbench.signals.numbers import started_text

if TYPE_CHECKING:
    from logbench.analysis.learned import Told
    from logbench.analysis.model import Finding
    from logbench.recording.reader import Recording

_STYLES = {"within": "green", "watch": "yellow", "act": "bold red", "not judged": "dim"}
_ROOMY = 120
"""Columns of a terminal in which number and band have columns of their own."""


def heading(recording: Recording) -> None:
    """The car, when, how long, and from where."""
    facts = recording.facts
    car = facts.vehicle.called or "unnamed car"
    origin = "simulated car" if facts.link.simulated else facts.link.adapter
    when = started_text(facts.started, 19)
    parts = (car, when, clock(recording.duration_ns / 1e9), origin)
    say(joined("  ", *parts), "bold")
    if facts.corrected:
        say(f"corrected afterwards: {facts.corrected}", "dim")


def engine(told: Sequence[Told]) -> None:
    """What engine it is, as far as the recording tells, and how sure that is."""
    if told:
        bullets("The engine (logbench correct puts right what is wrong):", [t.text for t in told])


def findings(found: Sequence[Finding]) -> None:
    """A table, then for each one out of its band what it may mean and how to tell."""
    _print_table(found)
    explained: set[tuple[str, ...]] = set()
    for finding in found:
        if finding.verdict.severity == 0:
            continue
        say(f"\n{finding.subject}: {finding.verdict.value}", _STYLES[finding.verdict.value])
        if finding.causes in explained:
            say("  may mean: the same as above")
            continue
        if finding.causes:
            explained.add(finding.causes)
            bullets("may mean, likeliest first:", finding.causes)
        if finding.next_steps:
            bullets("to tell them apart:", finding.next_steps)
        if finding.band is not None:
            say(f"  basis of the band: {finding.band.basis}", "dim")
    steps = missing_steps(found)
    if steps:
        say("\nTo judge the rest:", "dim")
        for step in steps:
            say(f"  - {step}", "dim")
    say(
        "\nBands are rules of thumb: the maker's specification and licensed practice come first.",
        "dim",
    )


def _print_table(found: Sequence[Finding]) -> None:
    roomy = console().width >= _ROOMY
    out = table()
    out.expand = True
    out.add_column("check and subject", ratio=2)
    out.add_column("verdict", no_wrap=True)
    if roomy:
        out.add_column("number", no_wrap=True, justify="right")
        out.add_column("band", no_wrap=True)
    out.add_column("why", ratio=4 if roomy else 3)
    for finding in found:
        band = finding.band
        numbers = (
            number_text(finding),
            "" if band is None else range_of(band, band.within),
        )
        out.add_row(
            text(finding.heading),
            text("\n".join(finding.outcome), _STYLES[finding.verdict.value]),
            *(numbers if roomy else ()),
            text(finding.reason),
        )
    console().print(out)
