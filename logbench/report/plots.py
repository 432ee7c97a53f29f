"""Charts of recordings and comparisons: the signals behind findings for the report, and PNG files
without a display: a recording, trims before and after, a comparison. Each file says which car,
which drive and when.

All that write a file raise StorageError when it cannot be written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from logbench.analysis.comparison.cells import key_of
from logbench.analysis.comparison.overlay import Overlay
from logbench.analysis.comparison.results import Comparison, SignalResult
from logbench.analysis.findings import ends_in
from logbench.analysis.grid import Traces
from logbench.analysis.model import ConditionSpan, Finding, Span, heading
from logbench.analysis.run import strips_of as signals_of
from logbench.analysis.statement import in_units
from logbench.foreign import Foreign, joined
from logbench.job.times import when_text
from logbench.recording.model import Facts
from logbench.recording.notes import read_remarks
from logbench.recording.reader import Recording
from logbench.report.blocks import Block, Figure
from logbench.report.charts import (
    BARS,
    Bar,
    Cell,
    Change,
    bars_chart,
    cells_chart,
    detectable_chart,
)
from logbench.report.drawing import VERDICT_COLORS, Chart, write_png
from logbench.report.gather import Drive, out_of_range
from logbench.report.strips import Line2D, Panel, Shade, Strip, Told, strips_chart
from logbench.signals.catalog import catalog
from logbench.signals.numbers import Ends
from logbench.signals.units import METRIC, Units, difference_unit, unit_text
from logbench.signals.values import gap_ns
from logbench.words import begun, tr, word

STRIPS = (
    *(("RPM",), ("VSS",), ("TOTAL_TRIM1", "TOTAL_TRIM2")),
    *(("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"), ("MAF",)),
    *(("MAP", "BARO"), ("ECT", "IAT", "AAT"), ("VPWR",)),
)
"""Which signals share a strip; strips without data are left out."""
_MOST_TOLD = 6
"""Events numbered in a chart; the rest is in the list of notes."""


def drive_title(facts: Facts, name: str) -> Foreign:
    """Which car, which drive and when, as every picture says it."""
    simulated = tr("(simulated)") if facts.link.simulated else ""
    when = when_text(facts.started) if facts.started else tr("date not known")
    return joined(" · ", joined(" ", facts.vehicle.called, simulated), name, when)


def sides_title(sides: Sequence[Sequence[tuple[Facts, str]]]) -> Foreign:
    """The same of a comparison: a line for each side."""
    return joined(
        "\n",
        *(
            joined(" ", f"{side}:", joined("; ", *(drive_title(*drive) for drive in drives)))
            for side, drives in zip((tr("before"), tr("after")), sides, strict=True)
        ),
    )


# --- drives ---


def finding_figures(
    drive: Drive, units: Units, most: int, against: Drive | None = None
) -> Iterator[Block]:
    """One figure for each check with something out of range, at most `most`; beside
    it, on the same scales, the same of a drive `against` it."""
    by_check: dict[str, list[Finding]] = {}
    for finding in out_of_range(drive.findings):
        by_check.setdefault(finding.check, []).append(finding)
    for number, (check, findings) in enumerate(by_check.items()):
        if number == most:
            return
        panels = _panels(check, findings, (drive, against), units)
        if not panels:
            continue
        names = ", ".join(dict.fromkeys(word(finding.subject) for finding in findings))
        caption = tr(
            "{what}: {names}. Recorded in {name}.",
            what=begun(word(heading(check))),
            names=names,
            name=drive.entry.label or drive.entry.file,
        )
        if panels[0].shades:
            caption = joined(" ", caption, tr("Shaded: the stretches that were judged."))
        yield Figure(strips_chart(panels, _minutes()), caption)


def _minutes() -> str:
    return tr("minutes since the recording's start")


def _panels(
    check: str, findings: Sequence[Finding], drives: tuple[Drive, Drive | None], units: Units
) -> list[Panel]:
    """Of both drives where the second has any of these signals; empty where none has."""
    found: list[Panel] = []
    groups = signals_of(check)
    for drive in drives:
        if drive is None:
            continue
        subjects = {finding.subject for finding in findings}
        judged = [f for f in drive.findings if f.check == check and f.subject in subjects]
        strips = strips_of(drive.view.recorded, groups, units, judged)
        if not strips:
            continue
        told = [r for r in drive.remarks if r.kind != "message"][:_MOST_TOLD]
        panel = Panel(
            tuple(strips.values()),
            title=_panel_title(drive),
            conditions=drive.conditions,
            shades=_shades(judged),
            told=tuple(Told(remark.start_ns / 60e9, remark.said) for remark in told),
        )
        found.append(panel)
        groups = tuple(strips)
    first, *rest = found or [Panel(())]
    return [first, *(p for p in rest if len(p.strips) == len(first.strips))] if found else []


def _shades(findings: Sequence[Finding]) -> tuple[Shade, ...]:
    """What was judged, stretches that touch as one."""
    found: list[Span] = []
    for span in sorted((s for f in findings for s in f.evidence), key=lambda s: s.start_ns):
        if found and span.start_ns <= found[-1].end_ns:
            found[-1] = Span(found[-1].start_ns, max(found[-1].end_ns, span.end_ns))
        else:
            found.append(span)
    return tuple(Shade(span) for span in found)


def _panel_title(drive: Drive) -> Foreign:
    role = word(drive.entry.role if drive.entry.role != "other" else "drive")
    started = drive.recording.facts.started
    name = joined(" ", f"{begun(role)}:", drive.entry.label or drive.entry.file.rpartition("/")[2])
    return joined(" · ", name, when_text(started) if started else "")


def strips_of(
    traces: Traces,
    wanted: Sequence[tuple[str, ...]],
    units: Units,
    findings: Sequence[Finding] = (),
) -> dict[tuple[str, ...], Strip]:
    """Strips of those signals that are there or can be computed, over minutes, by the signals
    wanted; with the band of a finding where it holds for all that is drawn."""
    strips, known = {}, catalog()
    for names in wanted:
        there = [trace for name in names if (trace := traces.first(name)) is not None]
        if not there:
            continue
        lines = tuple(
            Line2D(
                t.signal,
                t.t_s / 60,
                units.array(t.value, t.unit),
                known.slot(t.signal),
                gap_ns(len(t), t.interval_s * 1e9) / 60e9,
            )
            for t in there
        )
        band = _band_of([t.signal for t in there], findings, units)
        strips[names] = Strip(units.printed(there[0].unit), lines, band=band)
    return strips


def _band_of(signals: Sequence[str], findings: Sequence[Finding], units: Units) -> Ends | None:
    """The one band of these findings that holds for single samples of all these signals."""
    bands = {f.band.key: f.band for f in findings if f.band is not None and f.band.drawn_on}
    holding = [b for b in bands.values() if all(re.fullmatch(b.drawn_on, s) for s in signals)]
    return ends_in(holding[0], holding[0].within, units) if len(holding) == 1 else None


def plot_recording(
    recording: Recording,
    conditions: Sequence[ConditionSpan],
    findings: Sequence[Finding],
    path: Path,
) -> None:
    """Strips of the usual signals over minutes, the ribbon of conditions and shaded evidence."""
    judged = [f for f in findings if f.verdict in VERDICT_COLORS]
    judged.sort(key=lambda f: f.verdict.severity)
    shades = [Shade(span, VERDICT_COLORS[f.verdict]) for f in judged for span in f.evidence]
    strips = strips_of(Traces(recording), STRIPS, METRIC, findings)
    told, _ = read_remarks(recording)
    panel = Panel(
        tuple(strips.values()),
        conditions=tuple(conditions),
        shades=tuple(shades),
        told=tuple(Told(r.start_ns / 60e9, r.said) for r in told if r.kind != "message"),
    )
    name = recording.path.name if recording.path is not None else "recording"
    write_png(strips_chart([panel], _minutes()), path, drive_title(recording.facts, name))


def findings_chart(
    both: Mapping[str, tuple[Finding | None, ...]], units: Units, height: float = BARS
) -> Chart:
    """Bars of findings of one unit by their subject, before and after, over their band."""
    every = [f for sides in both.values() for f in sides if f is not None]
    unit = every[0].unit if every else "%"
    factor, offset = units.line(unit)

    def shown(value: float | None, zero: float = offset) -> float | None:
        return None if value is None else factor * value + zero

    def side(f: Finding | None) -> tuple[float | None, float | None]:
        return (None, None) if f is None else (shown(f.value), shown(f.uncertainty, 0.0))

    bars = [Bar(subject, tuple(map(side, sides))) for subject, sides in both.items()]
    bars = [bar for bar in bars if any(value is not None for value, _ in bar.sides)]
    band = next((f.band for f in every if f.band is not None), None)
    ends = None if band is None else (shown(band.within[0]), shown(band.within[1]))
    return bars_chart(bars, units.printed(unit), ends, height)


# --- comparisons ---


def plot_intervals(comparison: Comparison, path: Path, sides: str) -> None:
    """One bar a signal: its change with the 95 % interval, in units of what could have been missed,
    so that signals of all units share an axis. `sides`: as `sides_title`, of all that follow."""
    chart = detectable_chart(
        [_change(s) for s in comparison.signals if s.change is not None and s.detectable],
        tr("change, in units of the smallest change that would surely be found (gray)"),
    )
    title = tr("Change (after − before) at equal operating points, 95 % intervals")
    write_png(chart, path, joined("\n", title, sides))


def _change(s: SignalResult) -> Change:
    change = METRIC.figure(s.change, s.unit, s.half_width, difference=True, signed=True)
    return Change(
        label=tr(
            "{signal}  {before} to {after}",
            signal=s.key,
            before=METRIC.figure(s.before),
            after=METRIC.figure(s.after, s.unit),
        ),
        text=f"{change}, {word(s.verdict.value)}",
        change=s.change,
        half_width=s.half_width,
        changed=s.changed,
        detectable=s.detectable or 1.0,
    )


def plot_cells(comparison: Comparison, key: str, path: Path, sides: str) -> None:
    """The grid of differences of one signal: engine speed by load, hatched where only one side has
    been, ringed where a cell differs by itself. `KeyError` for an unknown key.
    """
    result = comparison.signal(key)
    axis = comparison.axis
    chart = cells_chart(
        list(_cells(comparison, result)),
        tr("engine speed, rpm (hatched: only one side has been there)"),
        "" if axis is None else f"{word(axis.title)}, {axis.unit}",
        tr("after − before, {unit}", unit=unit_text(difference_unit(result.unit))),
    )
    write_png(
        chart, path, joined("\n", f"{word(result.title)}: {in_units(result.reason, METRIC)}", sides)
    )


def _cells(comparison: Comparison, result: SignalResult) -> Iterator[Cell]:
    axis = comparison.axis
    if axis is None:
        return
    shared = {cell.code for cell in result.cells}
    for slots, hatch_deg in ((comparison.before_slots, 45.0), (comparison.after_slots, 135.0)):
        for code in () if slots is None else np.unique(slots.code).tolist():
            if code not in shared:
                yield Cell(key_of(code).rpm, key_of(code).load(axis), hatch_deg=hatch_deg)
    for cell, changed in zip(result.cells, result.cells_changed, strict=True):
        value, half = cell.difference.value, cell.difference.half_width
        yield Cell(key_of(cell.code).rpm, key_of(cell.code).load(axis), value, half, changed)


def plot_overlays(overlays: Sequence[Overlay], path: Path, sides: str) -> None:
    """Strips of one or more overlays, each with its difference under it."""
    strips = []
    for one in overlays:
        both = (
            Line2D(tr("{signal} before", signal=one.signal), one.x, one.before),
            Line2D(tr("after"), one.x, one.after, slot=1),
        )
        apart = Line2D(tr("after − before"), one.x, one.difference, slot=2)
        units = unit_text(one.unit), unit_text(difference_unit(one.unit))
        strips += [Strip(units[0], both, 100.0), Strip(units[1], (apart,), 50.0, zero=True)]
    label = ""
    if overlays:
        one = overlays[0]
        label = tr("{unit}, aligned by {what}.", unit=one.x_unit, what=word(one.by.value))
        label = joined(" ", label, in_units(one.note, METRIC))
    write_png(strips_chart([Panel(tuple(strips))], label), path, sides)


def plot_warm_up(comparison: Comparison, path: Path, sides: str) -> None:
    """Coolant temperature against the heat put in, both sides."""
    warm, lines, label = comparison.warm_up, [], ""
    for slot, (curve, name) in enumerate(
        ((warm.before, tr("coolant before")), (warm.after, tr("coolant after")))
    ):
        if curve is not None:
            lines.append(Line2D(name, curve.heat, curve.degc, slot))
            label = tr("air burned since the start, g")
            if curve.source != "MAF":
                source = curve.source
                label = tr("air burned since the start, g (relative, {source})", source=source)
    chart = strips_chart([Panel((Strip("°C", tuple(lines), 220.0),))], label)
    write_png(chart, path, joined("\n", in_units(warm.reason, METRIC), sides))
