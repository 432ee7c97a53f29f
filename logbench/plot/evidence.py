"""What a finding rests on, as traces and as a band drawn on them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from logbench.analysis.model import Finding
from logbench.plot.trace import StripTrace

Key = tuple[str, str]
Ends = tuple[float | None, float | None]
_MOST_INPUTS = 4


def concerning(finding: Finding, traces: Sequence[StripTrace]) -> list[StripTrace]:
    """The traces that should be seen with a finding."""
    from logbench.analysis.run import check_of, shown_of

    numbers = [t for t in traces if t.plottable]
    shown = shown_of(finding.check)
    if shown:
        return [t for t in numbers if re.fullmatch(shown, t.signal)]
    module = check_of(finding.check)
    inputs = () if module is None else module.INPUTS
    named = [t for t in numbers if t.signal in finding.subject.split()]
    return (named + [t for t in numbers if t.signal in inputs and t not in named])[:_MOST_INPUTS]


def band_of(finding: Finding, traces: Sequence[StripTrace]) -> dict[Key, Ends]:
    """The traces that a finding's band can be drawn on, with its range `within`."""
    if finding.band is None or not finding.band.drawn_on:
        return {}
    bank = re.search(r"bank (\d)", finding.subject)
    found = {}
    for trace in traces:
        match = re.fullmatch(finding.band.drawn_on, trace.signal)
        other = match and match.groups() and bank and match.group(1) != bank.group(1)
        if match and not other:
            found[trace.key] = finding.band.within
    return found
