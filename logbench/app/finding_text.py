"""A finding's number, band and sentences in the units chosen, for every page that shows them.

The number and the band with which the reason begins are written from the finding itself, with the
digits that it has; every other quantity of its sentences is converted where it stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from logbench.analysis.bands import range_text
from logbench.analysis.findings import number_text as recorded_text
from logbench.analysis.model import Band, Finding
from logbench.app.plot.ticks import tick_text, unit_text, value_text
from logbench.app.units import METRIC, Units
from logbench.report.unit_sentences import in_units
from logbench.words import tr

Ends = tuple[float | None, float | None]


def number_text(finding: Finding, units: Units = METRIC) -> str:
    """The number with its unit and half width, with as many digits as that deserves."""
    if finding.value is None:
        return ""
    unit = units.unit(finding.unit)
    value = units.value(finding.value, finding.unit)
    half = finding.uncertainty
    if not half or not math.isfinite(half):
        return f"{value_text(value, unit)} {unit_text(unit)}".strip()
    half = units.value(half, finding.unit, difference=True)
    decimals = min(max(0, 1 - math.floor(math.log10(half))), 4)
    text = f"{value:,.{decimals}f} ± {half:.{decimals}f}".replace("-", "−")
    return f"{text} {unit_text(unit)}".strip()


def ends_in(band: Band, ends: Ends, units: Units) -> Ends:
    """The ends of a range in the units chosen."""
    low, high = (None if end is None else units.value(end, band.unit) for end in ends)
    return low, high


def limits(ends: Ends, say: Callable[..., str] = tr) -> str:
    """A range in words: `−10 to 10`, `at least 80`, `at most 15`; in English with `in_english`."""
    low, high = (None if v is None else end_text(v) for v in ends)
    if low is None and high is None:
        return say("any")
    if low is None:
        return say("at most {high}", high=high)
    if high is None:
        return say("at least {low}", low=low)
    return say("{low} to {high}", low=low, high=high)


def in_english(text: str, **values: object) -> str:
    """What `tr` gives where the sentence around it is English."""
    return text.format(**values)


def end_text(value: float) -> str:
    """At most one decimal, two below 10."""
    near = round(value, 2 if abs(value) < 10 else 1)
    step = 1.0 if near == round(near) else 0.1 if near == round(near, 1) else 0.01
    return tick_text(near, step)


def reason_text(finding: Finding, units: Units = METRIC) -> str:
    """The reason in the units chosen."""
    band, value = finding.band, finding.value
    if value is None or units.line(finding.unit) == (1.0, 0.0):
        return in_units(finding.reason, units)
    if band is None:  # a figure: with two decimals in the checks
        figure = f"{value:.2f} {finding.unit}"
        return in_units(finding.reason.replace(figure, number_text(finding, units), 1), units)
    signed = band.within[0] is not None and band.within[0] < 0
    half = math.nan if finding.uncertainty is None else finding.uncertainty
    text = finding.reason
    number = recorded_text(value, half, band.unit, signed)
    text = text.replace(number, number_text(finding, units), 1)
    unit = unit_text(units.unit(band.unit))
    for ends in (band.within, band.watch):
        said = f"{limits(ends_in(band, ends, units), in_english)} {unit}"
        text = text.replace(range_text(ends, band.unit), said, 1)
    return in_units(text, units)
