"""Tables of what was judged: every part of the checks in every drive of a side, with the ranges it
is held against."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logbench.analysis.findings import number_text, range_of
from logbench.analysis.model import Band, Coverage, Finding, headed
from logbench.analysis.statement import in_units
from logbench.foreign import joined
from logbench.report.blocks import Block, Table
from logbench.report.gather import Drive
from logbench.report.sentences import name_of
from logbench.signals.units import Units
from logbench.words import tr, word

_ABREAST = 3
"""Drives that a table holds beside each other."""


def finding_tables(drives: Sequence[Drive], units: Units) -> Iterator[Block]:
    """What each drive says of each part of the checks that any of them judged, with its ranges."""
    for start in range(0, len(drives), _ABREAST):
        yield _finding_table(drives[start : start + _ABREAST], units)


def _finding_table(drives: Sequence[Drive], units: Units) -> Table:
    parts: dict[tuple[str, str], dict[int, Finding]] = {}
    for place, drive in enumerate(drives):
        for finding in drive.findings:
            if finding.check != "recording" and finding.coverage is Coverage.JUDGED:
                parts.setdefault((finding.check, finding.subject), {})[place] = finding

    def severity(found: dict[int, Finding]) -> int:
        return max(finding.verdict.severity for finding in found.values())

    order = sorted(parts.values(), key=lambda found: -severity(found))
    rows = tuple(
        (
            headed(first.check, first.subject),
            *(_result(found.get(place), units) for place in range(len(drives))),
            usual_range(first.band, units),
            range_to_act(first.band, units),
        )
        for found in order
        for first in (next(iter(found.values())),)
    )
    marked = frozenset(i for i, found in enumerate(order) if severity(found))
    names = [name_of(drive) for drive in drives]
    return Table(
        tr("What was judged in {names}", names=", ".join(names)),
        ("what", *names, "usual range", "act outside"),
        rows,
        (28, *(46 / len(drives) for _ in drives), 13, 13),
        marked,
        small=True,
    )


def _result(finding: Finding | None, units: Units) -> str:
    """`+21.4 ±0.3 %: act`."""
    if finding is None:
        return word("not judged")
    return joined(": ", number_text(finding, units), word(finding.verdict.value))


def usual_range(band: Band | None, units: Units) -> str:
    """Within which a number is as usual."""
    return "–" if band is None else in_units(range_of(band, band.within), units)


def range_to_act(band: Band | None, units: Units) -> str:
    """Outside which a number asks to act."""
    return "–" if band is None else in_units(range_of(band, band.watch), units)
