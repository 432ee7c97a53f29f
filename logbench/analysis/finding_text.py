"""A finding's number, band and sentences in the units chosen, for every page that shows them.

The number and the band with which the reason begins are written from the finding itself, with the
digits that it has; every other quantity of its sentences is converted where it stands.
"""

from __future__ import annotations

import math

from logbench.analysis.model import Band, Finding
from logbench.signals.numbers import (
    Ends,
    half_width_text,
    in_english,
    limits,
    range_text,
    value_text,
)
from logbench.signals.numbers import (
    number_text as recorded_text,
)
from logbench.signals.unit_sentences import in_units
from logbench.signals.units import METRIC, Units, unit_text


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
    return f"{half_width_text(value, half)} {unit_text(unit)}".strip()


def ends_in(band: Band, ends: Ends, units: Units) -> Ends:
    """The ends of a range in the units chosen."""
    low, high = (None if end is None else units.value(end, band.unit) for end in ends)
    return low, high


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
