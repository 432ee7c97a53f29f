"""Charts of the signals behind the findings that matter, with their evidence shaded."""

from __future__ import annotations

from collections.abc import Iterator

from logbench.analysis.model import Finding, heading
from logbench.analysis.run import strips_of as signals_of
from logbench.recording.reader import Recording
from logbench.report.blocks import Block, Figure, Heading
from logbench.report.charts import Line2D, Shade, Strip, strips_chart
from logbench.report.gather import Drive, out_of_range
from logbench.signals.units import Units


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
            yield Heading(f"Recorded: {drive.entry.label or drive.entry.file}", 2)
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
    strips = []
    for names in wanted:
        traces = [recording.trace(name) for name in names if name in recording]
        traces = [trace for trace in traces if len(trace)]
        if not traces:
            continue
        lines = tuple(
            Line2D(trace.signal, trace.t_s / 60, units.array(trace.value, trace.unit))
            for trace in traces
        )
        strips.append(Strip(units.printed(traces[0].unit), lines))
    return strips
