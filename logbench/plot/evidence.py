"""What a finding rests on, as traces and as a band drawn on them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from logbench.analysis.model import Finding
from logbench.plot.trace import StripTrace

Key = tuple[str, str]
Ends = tuple[float | None, float | None]
_SIGNALS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("fuel_trim", re.compile(r"(SHRT|LONG)FT\d|TOTAL_TRIM\d|RPM|LOAD_PCT")),
    ("airflow", re.compile(r"MAFA?|MAP|RPM|LOAD_ABS|VOL_EFF")),
    ("warm_up", re.compile(r"ECT\d?|VSS|RPM")),
)
_MOST_INPUTS = 4
_BANDED: Mapping[str, re.Pattern[str]] = {
    "fuel_trim_total": re.compile(r"TOTAL_TRIM(\d)"),
    "ve_full_throttle": re.compile(r"VOL_EFF"),
    "ve_full_throttle_turbo": re.compile(r"VOL_EFF"),
    "warm_up_plateau": re.compile(r"ECT\d?"),
    "resting_voltage": re.compile(r"VPWR"),
    "cranking_voltage": re.compile(r"VPWR"),
    "charging_voltage": re.compile(r"VPWR"),
    "idle_timing": re.compile(r"SPARKADV"),
}
"""Bands that hold for single samples of a signal. Others judge a rate, a spread or a ratio of
several signals, and have no place on a strip."""


def concerning(finding: Finding, traces: Sequence[StripTrace]) -> list[StripTrace]:
    """The traces that should be seen with a finding."""
    pattern = next((p for key, p in _SIGNALS if key == finding.check), None)
    numbers = [t for t in traces if t.plottable]
    if pattern is not None:
        return [t for t in numbers if pattern.fullmatch(t.signal)]
    from logbench.analysis.run import all_checks

    inputs = next((m.INPUTS for m in all_checks() if finding.check == m.KEY), ())
    named = [t for t in numbers if t.signal in finding.subject.split()]
    return (named + [t for t in numbers if t.signal in inputs and t not in named])[:_MOST_INPUTS]


def band_of(finding: Finding, traces: Sequence[StripTrace]) -> dict[Key, Ends]:
    """The traces that a finding's band can be drawn on, with its range `within`."""
    pattern = None if finding.band is None else _BANDED.get(finding.band.key)
    if finding.band is None or pattern is None:
        return {}
    bank = re.search(r"bank (\d)", finding.subject)
    found = {}
    for trace in traces:
        match = pattern.fullmatch(trace.signal)
        other = match and match.groups() and bank and match.group(1) != bank.group(1)
        if match and not other:
            found[trace.key] = finding.band.within
    return found
