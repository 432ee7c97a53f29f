"""Charts of recordings and comparisons: the signals behind findings for the report, and PNG files
without a display: a recording, trims before and after, a comparison.

All that write a file raise StorageError when it cannot be written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from reportlab.graphics.shapes import Drawing

from logbench.analysis.comparison.cells import key_of
from logbench.analysis.comparison.overlay import Overlay
from logbench.analysis.comparison.results import Comparison, SignalResult
from logbench.analysis.model import ConditionSpan, Finding, heading
from logbench.analysis.run import strips_of as signals_of
from logbench.foreign import joined
from logbench.recording.reader import Recording
from logbench.report.blocks import Block, Figure, Heading
from logbench.report.charts import (
    Bar,
    Cell,
    Change,
    Line2D,
    Shade,
    Strip,
    bars_chart,
    cells_chart,
    detectable_chart,
    strips_chart,
)
from logbench.report.drawing import VERDICT_COLORS, write_png
from logbench.report.gather import Drive, out_of_range
from logbench.signals.catalogue import catalogue
from logbench.signals.units import METRIC, Units, difference_unit, unit_text
from logbench.signals.values import gap_ns

STRIPS = (
    *(("RPM",), ("VSS",), ("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"), ("MAF",)),
    *(("MAP", "BARO"), ("ECT", "IAT", "AAT"), ("VPWR",)),
)
"""Which signals share a strip; strips without data are left out."""


def finding_figures(drive: Drive, units: Units, most: int) -> Iterator[Block]:
    """A heading and one figure for each check with something out of range, at most `most`."""
    by_check: dict[str, list[Finding]] = {}
    for finding in out_of_range(drive.findings):
        by_check.setdefault(finding.check, []).append(finding)
    for number, (check, findings) in enumerate(by_check.items()):
        if number == most:
            return
        strips = strips_of(drive.recording, signals_of(check), units)
        if not strips:
            continue
        if number == 0:
            yield Heading(joined(" ", "Recorded:", drive.entry.label or drive.entry.file), 2)
        shades = [Shade(span) for finding in findings for span in finding.evidence]
        drawing = strips_chart(
            strips, "minutes since the recording's start", drive.conditions, shades
        )
        names = ", ".join(dict.fromkeys(finding.subject for finding in findings))
        shaded = " Shaded: the stretches that were judged." if shades else ""
        yield Figure(drawing, f"{heading(check).capitalize()}: {names}.{shaded}")


def strips_of(
    recording: Recording, wanted: tuple[tuple[str, ...], ...], units: Units
) -> list[Strip]:
    """Strips of those signals the recording holds, over minutes."""
    strips, known = [], catalogue()
    for names in wanted:
        traces = [recording.trace(name) for name in names if name in recording]
        traces = [trace for trace in traces if len(trace)]
        if not traces:
            continue
        lines = tuple(
            Line2D(
                t.signal,
                t.t_s / 60,
                units.array(t.value, t.unit),
                known.slot(t.signal),
                gap_ns(len(t), t.interval_s * 1e9) / 60e9,
            )
            for t in traces
        )
        strips.append(Strip(units.printed(traces[0].unit), lines))
    return strips


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
    strips = strips_of(recording, STRIPS, METRIC)
    chart = strips_chart(strips, "minutes since the recording's start", conditions, shades)
    facts = recording.facts
    name = recording.path.name if recording.path is not None else "recording"
    title = facts.vehicle.called or name
    write_png(chart, path, joined(" ", title, "(simulated)" if facts.link.simulated else ""))


def plot_trims(before: Sequence[Finding], after: Sequence[Finding], path: Path) -> None:
    """Bars of the total fuel trim of two recordings side by side, over their band."""
    sides = [
        {f.subject: f for f in findings if f.check == "fuel_trim" and f.unit == "%"}
        for findings in (before, after)
    ]
    both = {subject: tuple(side.get(subject) for side in sides) for subject in sides[0] | sides[1]}
    chart = findings_chart(both, METRIC)
    write_png(chart, path, "Total fuel trim (short term + long term), before and after the repair")


def findings_chart(both: Mapping[str, tuple[Finding | None, ...]], units: Units) -> Drawing:
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
    return bars_chart(bars, units.printed(unit), ends)


# --- comparisons ---


def plot_intervals(comparison: Comparison, path: Path) -> None:
    """One bar a signal: its change with the 95 % interval, in units of what could have been missed,
    so that signals of all units share an axis."""
    chart = detectable_chart(
        [_change(s) for s in comparison.signals if s.change is not None and s.detectable],
        "change, in units of the smallest change that would surely be found (gray)",
    )
    write_png(chart, path, "Change (after − before) at equal operating points, 95 % intervals")


def _change(s: SignalResult) -> Change:
    change = METRIC.figure(s.change, s.unit, s.half_width, difference=True, signed=True)
    return Change(
        label=f"{s.key}  {METRIC.figure(s.before)} to {METRIC.figure(s.after, s.unit)}",
        text=f"{change}, {s.verdict.value}",
        change=s.change,
        half_width=s.half_width,
        changed=s.changed,
        detectable=s.detectable or 1.0,
    )


def plot_cells(comparison: Comparison, key: str, path: Path) -> None:
    """The grid of differences of one signal: engine speed by load, hatched where only one side has
    been, ringed where a cell differs by itself. `KeyError` for an unknown key.
    """
    result = comparison.signal(key)
    axis = comparison.axis
    chart = cells_chart(
        list(_cells(comparison, result)),
        "engine speed, rpm (hatched: only one side has been there)",
        "" if axis is None else f"{axis.title}, {axis.unit}",
        f"after − before, {unit_text(difference_unit(result.unit))}",
    )
    write_png(chart, path, f"{result.title}: {result.reason}")


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


def plot_overlays(overlays: Sequence[Overlay], path: Path) -> None:
    """Strips of one or more overlays, each with its difference under it."""
    strips = []
    for one in overlays:
        sides = (
            Line2D(f"{one.signal} before", one.x, one.before),
            Line2D("after", one.x, one.after, slot=1),
        )
        apart = Line2D("after − before", one.x, one.difference, slot=2)
        units = unit_text(one.unit), unit_text(difference_unit(one.unit))
        strips += [Strip(units[0], sides, 100.0), Strip(units[1], (apart,), 50.0, zero=True)]
    label = ""
    if overlays:
        note = f" {overlays[0].note}" if overlays[0].note else ""
        label = f"{overlays[0].x_unit}, aligned by {overlays[0].by.value}.{note}"
    write_png(strips_chart(strips, label), path)


def plot_warm_up(comparison: Comparison, path: Path) -> None:
    """Coolant temperature against the heat put in, both sides."""
    warm, lines, label = comparison.warm_up, [], ""
    for slot, (curve, name) in enumerate(((warm.before, "before"), (warm.after, "after"))):
        if curve is not None:
            lines.append(Line2D(f"coolant {name}", curve.heat, curve.degc, slot))
            relative = "" if curve.source == "MAF" else f" (relative, {curve.source})"
            label = f"air burnt since the start, g{relative}"
    chart = strips_chart([Strip("°C", tuple(lines), 220.0)], label)
    write_png(chart, path, warm.reason)
