"""A finding's number, band and reason as texts in the units chosen; for every page that shows them.

The reason that every check begins with (`Coolant temperature 92.1 ±0.4 degC is within 80 to 105
degC; …`) is written again with other units; what follows it, remarks in a check's own words, stays
metric, and is said to be.
"""

from __future__ import annotations

import math

from logbench.analysis.bands import range_text
from logbench.analysis.findings import number_text as recorded_text
from logbench.analysis.model import Band, Finding
from logbench.app.plot.ticks import tick_text, unit_text, value_text
from logbench.app.units import METRIC, Units
from logbench.report.units import DIFFERENCES, pretty

Ends = tuple[float | None, float | None]
_METRIC_WORDS = ("degC", "°C", "kPa", "km/h", " km", "g/s", "L/h", " l ", "Nm")


def is_difference(finding: Finding) -> bool:
    """Whether the number is a difference of two values, so that 32 is not added to a degC."""
    return finding.band is not None and finding.band.key in DIFFERENCES


def number_text(finding: Finding, units: Units = METRIC) -> str:
    """The number with its unit and half width, with as many digits as that deserves."""
    if finding.value is None:
        return ""
    unit = units.unit(finding.unit)
    value = units.value(finding.value, finding.unit, difference=is_difference(finding))
    half = finding.uncertainty
    if not half or not math.isfinite(half):
        return f"{value_text(value, unit)} {unit_text(unit)}".strip()
    half = units.value(half, finding.unit, difference=True)
    decimals = min(max(0, 1 - math.floor(math.log10(half))), 4)
    text = f"{value:,.{decimals}f} ± {half:.{decimals}f}".replace("-", "−")
    return f"{text} {unit_text(unit)}".strip()


def ends_in(band: Band, ends: Ends, units: Units) -> Ends:
    """The ends of a range in the units chosen."""
    difference = band.key in DIFFERENCES
    low, high = (
        None if end is None else units.value(end, band.unit, difference=difference) for end in ends
    )
    return low, high


def limits(ends: Ends) -> str:
    """A range in words: `−10 to 10`, `at least 80`, `at most 15`."""
    low, high = (None if v is None else _end_text(v) for v in ends)
    if low is None and high is None:
        return "any"
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def _end_text(value: float) -> str:
    """At most one decimal, two below 10."""
    near = round(value, 2 if abs(value) < 10 else 1)
    step = 1.0 if near == round(near) else 0.1 if near == round(near, 1) else 0.01
    return tick_text(near, step)


def reason_text(finding: Finding, units: Units = METRIC) -> str:
    """The reason in the units chosen, as far as it can be converted for certain."""
    band, value = finding.band, finding.value
    if units.metric or band is None or value is None or units.line(band.unit) == (1.0, 0.0):
        return pretty(finding.reason)
    signed = band.within[0] is not None and band.within[0] < 0
    half = math.nan if finding.uncertainty is None else finding.uncertainty
    text = finding.reason
    number = recorded_text(value, half, band.unit, signed)
    if number in text:
        text = text.replace(number, number_text(finding, units), 1)
    unit = unit_text(units.unit(band.unit))
    for ends in (band.within, band.watch):
        said = f"{limits(ends_in(band, ends, units))} {unit}"
        text = text.replace(range_text(ends, band.unit), said, 1)
    return pretty(text)


def metric_remark(texts: str, units: Units) -> str:
    """A sentence for below texts that still hold metric figures; empty where none is needed."""
    still = not units.metric and any(word in texts for word in _METRIC_WORDS)
    return "Figures within these sentences are metric." if still else ""
