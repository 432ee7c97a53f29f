"""What the second drive shows: the comparison at equal operating points, codes and monitors."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logbench.analysis.comparison.results import (
    Comparison,
    FindingResult,
    FindingVerdict,
    SignalVerdict,
)
from logbench.analysis.model import headed
from logbench.analysis.statement import Quantity, in_units
from logbench.foreign import in_label, joined
from logbench.job.times import when_text
from logbench.report.blocks import Block, Bullets, Figure, Heading, Paragraph, Table
from logbench.report.charts import BARS, Change, changes_chart
from logbench.report.gather import Material
from logbench.report.judged import finding_tables
from logbench.report.options import TITLES
from logbench.report.plainly import about
from logbench.report.plots import findings_chart
from logbench.report.records import other_blocks, reading_blocks
from logbench.report.sentences import printed
from logbench.signals.units import Units, difference_unit
from logbench.vehicle.records.diff import ReadingDiff
from logbench.words import shown, tr, word

METHOD = (
    "Before and after are compared only where both drives were in the same operating cell (engine "
    "speed by load, warm and steady), weighted by the evidence both have; intervals are 95 %, mind "
    "that samples of a drive follow each other and that an untouched car moves from one drive to "
    "the next; the claims are controlled for false discoveries."
)
_QUIET = (FindingVerdict.NO_CHANGE, FindingVerdict.WITHIN_BOTH, FindingVerdict.NOT_COMPARABLE)
MOST_BARS, MOST_CHANGES = 8, 14


def section(material: Material) -> Iterator[Block]:
    """Nothing when there is neither a comparison nor a later reading."""
    others = any(code.when == "after" for code in material.job.other_codes)
    if material.comparison is None and material.after is None and not others:
        if material.job.conclusion:
            yield Heading("Conclusion")
            yield Paragraph(material.job.conclusion, "lead")
        return
    yield Heading(TITLES["after"], key="after")
    for key, text in printed(material, "after").items():
        yield Paragraph(text, "lead" if key == "after: comparison" else "normal")
    if material.job.conclusion:
        yield Paragraph(material.job.conclusion, "lead")
    if material.comparison is not None:
        yield from _comparison(material, material.comparison)
    yield from finding_tables(material.drives_of("after"), material.units)
    if material.after is not None:
        yield Heading("Codes and monitors after the work", 2)
        yield from reading_blocks(material.after, _diff_blocks(material.diff), material.units)
    yield from other_blocks(material, "after")


def _comparison(material: Material, comparison: Comparison) -> Iterator[Block]:
    yield Paragraph(_compared_text(material, comparison), "small")
    for concern in comparison.concerns:
        yield Paragraph(in_units(concern.text, material.units), "caution")
    figure = bars_figure(material)
    if figure is not None:
        yield figure
    yield from _changes(comparison, material.units)
    rows = _finding_rows(comparison, material.units)
    if rows:
        yield Table(
            "What became of each finding",
            ("finding", "now", "in figures"),
            rows,
            (30, 14, 56),
            small=True,
        )
    quiet = [r for r in comparison.findings if r.check != "recording"]
    counts = {v: sum(r.verdict is v for r in quiet) for v in _QUIET}
    text = ", ".join(f"{count} {word(v.value)}" for v, count in counts.items() if count)
    if text:
        yield Paragraph(tr("Other findings: {counts}.", counts=text), "small")


def _compared_text(material: Material, comparison: Comparison) -> str:
    """Which recordings, when it was first made, and what it said then if that was different."""
    entry = material.compared
    if entry is None:
        sides = [[d.entry.file for d in material.drives_of(role)] for role in ("before", "after")]
    else:
        sides = [entry.before, entry.after]
    before, after = (", ".join(map(in_label, side)) for side in sides)
    text = tr("Compared: {before} before with {after} after.", before=before, after=after)
    if entry is None or not entry.at_utc:
        return text
    kept = joined(", ", when_text(entry.at_utc), entry.label)
    text += " " + tr("Kept in the job {kept}; computed anew for this report.", kept=kept)
    if entry.sentence and entry.sentence != comparison.summary:
        said = in_units(entry.sentence, material.units)
        return joined(" ", text, tr("It said then:"), said)
    return text


def bars_figure(material: Material, height: float = BARS) -> Figure | None:
    """Before and after of the findings of the check that changed most, over its band."""
    comparison = material.comparison
    if comparison is None:
        return None
    chosen = _check_for_bars(comparison)[:MOST_BARS]
    if not chosen or chosen[0].before is None:
        return None
    both = {r.subject: (r.before, r.after) for r in chosen}
    text = tr(
        "{what}, before and after the work, with 95 % intervals, in {unit}.",
        what=shown(about(chosen[0].before)),
        unit=material.units.printed(chosen[0].before.unit) or tr("its unit"),
    )
    return Figure(findings_chart(both, material.units, height), text)


def _check_for_bars(comparison: Comparison) -> list[FindingResult]:
    """Results of the check with the most resolved (then worse) findings that have numbers."""
    by_check: dict[tuple[str, str], list[FindingResult]] = {}
    for result in comparison.findings:
        before, after = result.before, result.after
        if before is None or after is None or before.band is None:
            continue
        if before.value is not None and after.value is not None:
            by_check.setdefault((result.check, before.band.key), []).append(result)
    wanted = (
        FindingVerdict.RESOLVED,
        FindingVerdict.WORSE,
        FindingVerdict.NEW,
        FindingVerdict.IMPROVED,
    )

    def weight(results: list[FindingResult]) -> int:
        return sum(len(wanted) - wanted.index(r.verdict) for r in results if r.verdict in wanted)

    best = max(by_check.values(), key=weight, default=[])
    return best if best and weight(best) else []


def _changes(comparison: Comparison, units: Units) -> Iterator[Block]:
    drawn = [s for s in comparison.signals if s.change is not None][:MOST_CHANGES]
    if drawn:
        changes = [
            Change(
                label=shown(s.title),
                text=Quantity(
                    s.change or 0.0, difference_unit(s.unit), s.half_width, signed=True
                ).text(units, shown),
                change=s.change,
                half_width=s.half_width,
                changed=s.changed,
            )
            for s in drawn
        ]
        yield Figure(
            changes_chart(changes),
            "Changes at equal operating points with their 95 % intervals, each on its own scale "
            "around no change. Filled: a change is shown, allowing for how many were looked at.",
        )
    lacking = [s for s in comparison.signals if s.verdict is SignalVerdict.NOT_COMPARABLE]
    if lacking:
        names = ", ".join(shown(s.title) for s in lacking)
        yield Paragraph(tr("Not comparable: {names}.", names=names), "small")
    if comparison.to_drive and lacking:
        yield Bullets(tuple(in_units(text, units) for text in comparison.to_drive), "small")


def _finding_rows(comparison: Comparison, units: Units) -> tuple[tuple[str, str, str], ...]:
    """What changed, worst last; the rest is counted beside it."""
    order = list(FindingVerdict)
    chosen = [r for r in comparison.findings if r.verdict not in _QUIET and r.check != "recording"]
    chosen.sort(key=lambda r: order.index(r.verdict))
    return tuple(
        (headed(r.check, r.subject), r.verdict.value, in_units(r.reason, units)) for r in chosen
    )


def _diff_blocks(diff: ReadingDiff | None) -> Iterator[Block]:
    if diff is None:
        return
    rows = tuple(
        (
            change.code,
            word(in_label(change.text)),
            what,
            f"{_listed(change.before)} → {_listed(change.after)}",
        )
        for what, changes in diff.outcomes
        for change in changes
    )
    if rows:
        header = ("code", "meaning", "change", "states")
        yield Table("What became of each code", header, rows, (10, 46, 14, 30), small=True)
    if diff.monitors_run:
        names = ", ".join(diff.monitors_run)
        yield Paragraph(tr("Monitors run since: {names}.", names=names), "small")
    for warning in diff.warnings:
        yield Paragraph(warning, "caution")


def _listed(states: Sequence[str]) -> str:
    return ", ".join(map(word, states)) or tr("none")
