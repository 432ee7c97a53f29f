"""Plots of a recording as PNG files, without a display (matplotlib's Agg canvas).

Colours are the Okabe-Ito colour-blind-safe set (Okabe & Ito 2008), with line styles as a second
cue; conditions are told apart by colour and by their name under the ribbon.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from logbench.analysis.model import Condition, ConditionSpan, Finding, Verdict
from logbench.errors import StorageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from logbench.recording.reader import Recording

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILLION, PURPLE = (
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
)
LINE_COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, BLACK)
LINE_STYLES = ("-", "--", "-.", ":")

CONDITION_COLOURS = {
    Condition.KEY_ON: "#BBBBBB",
    Condition.CRANKING: BLACK,
    Condition.COLD_IDLE: SKY,
    Condition.WARM_IDLE: GREEN,
    Condition.FAST_IDLE: YELLOW,
    Condition.CRUISE: BLUE,
    Condition.ACCELERATION: ORANGE,
    Condition.FULL_THROTTLE: VERMILLION,
    Condition.FUEL_CUT: PURPLE,
    Condition.ENGINE_OFF: "#DDDDDD",
    Condition.OTHER: "#F2F2F2",
}
VERDICT_COLOURS = {Verdict.WATCH: ORANGE, Verdict.ACT: VERMILLION}

STRIPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("rpm", ("RPM",)),
    ("km/h", ("VSS",)),
    ("%", ("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2")),
    ("g/s", ("MAF",)),
    ("kPa", ("MAP", "BARO")),
    ("degC", ("ECT", "IAT", "AAT")),
    ("V", ("VPWR",)),
)
"""Which signals share a strip, and the strip's unit; strips without data are left out."""


def _strips(recording: Recording) -> list[tuple[str, list[str]]]:
    held = set(recording.signals)
    strips = [(unit, [a for a in names if a in held]) for unit, names in STRIPS]
    return [(unit, names) for unit, names in strips if names]


def _draw_traces(axes: Axes, recording: Recording, names: Sequence[str], unit: str) -> None:
    for index, name in enumerate(names):
        trace = recording.trace(name)
        axes.plot(
            trace.t_s / 60,
            trace.value,
            color=LINE_COLOURS[index % len(LINE_COLOURS)],
            linestyle=LINE_STYLES[index % len(LINE_STYLES)],
            linewidth=0.9,
            label=name,
        )
    axes.set_ylabel(f"{names[0]}, {unit}" if len(names) == 1 else unit)
    if len(names) > 1:
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), fontsize=8, frameon=False)
    axes.grid(alpha=0.25)
    axes.margins(x=0)


def _draw_ribbon(axes: Axes, conditions: Sequence[ConditionSpan]) -> None:
    seen: dict[Condition, None] = {}
    for span in conditions:
        axes.axvspan(
            span.start_ns / 60e9, span.end_ns / 60e9, color=CONDITION_COLOURS[span.condition], lw=0
        )
        if span.condition is not Condition.OTHER:
            seen.setdefault(span.condition)
    axes.set_yticks([])
    axes.set_ylabel("doing", rotation=0, ha="right", va="center")
    handles = [axes.plot([], [], color=CONDITION_COLOURS[c], lw=6, label=c.value)[0] for c in seen]
    if handles:
        axes.legend(
            handles=handles,
            loc="lower center",
            bbox_to_anchor=(0.5, 1.0),
            ncols=min(len(handles), 6),
            fontsize=8,
            frameon=False,
        )


def _shade_evidence(all_axes: Sequence[Axes], findings: Sequence[Finding]) -> None:
    for finding in findings:
        colour = VERDICT_COLOURS.get(finding.verdict)
        if colour is None:
            continue
        for span in finding.evidence:
            for axes in all_axes:
                axes.axvspan(
                    span.start_ns / 60e9, span.end_ns / 60e9, color=colour, alpha=0.12, lw=0
                )


def _save(figure: Figure, path: Path) -> None:
    FigureCanvasAgg(figure)
    try:
        figure.savefig(path, dpi=120)
    except OSError as error:
        raise StorageError(f"The plot {path} cannot be written: {error.strerror}.") from error


def plot_recording(
    recording: Recording,
    conditions: Sequence[ConditionSpan],
    findings: Sequence[Finding],
    path: Path,
) -> None:
    """Draw strips of the usual signals over minutes, the condition ribbon and shaded evidence.

    Raises StorageError when `path` cannot be written.
    """
    strips = _strips(recording)
    heights = [0.25] + [1.0] * len(strips)
    figure = Figure(figsize=(13, 1.6 + 1.45 * len(strips)), layout="constrained")
    grid = figure.subplots(
        len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    _draw_ribbon(grid[0], conditions)
    for axes, (unit, names) in zip(grid[1:], strips, strict=True):
        _draw_traces(axes, recording, names, unit)
    _shade_evidence(list(grid[1:]), findings)
    grid[-1].set_xlabel("minutes since the recording's start")
    facts = recording.facts
    name = recording.path.name if recording.path is not None else "recording"
    title = facts.vehicle.label or facts.vehicle.vin or name
    figure.suptitle(title + (" (simulated)" if facts.link.simulated else ""), fontsize=12)
    _save(figure, path)


def plot_verdicts(sides: Sequence[tuple[str, Sequence[Finding]]], path: Path) -> None:
    """Bars of the fuel trim totals of several recordings side by side, over their band.

    `sides`: (name of the recording, its findings). Raises StorageError.
    """
    subjects = list(
        dict.fromkeys(
            f.subject
            for _, findings in sides
            for f in findings
            if f.check == "fuel_trim" and f.unit == "%" and f.value is not None
        )
    )
    figure = Figure(figsize=(11, 5), layout="constrained")
    axes = figure.subplots()
    width = 0.8 / max(len(sides), 1)
    for index, (name, findings) in enumerate(sides):
        by_subject = {f.subject: f for f in findings if f.check == "fuel_trim"}
        for place, subject in enumerate(subjects):
            finding = by_subject.get(subject)
            if finding is None or finding.value is None:
                continue
            axes.bar(
                place + (index - (len(sides) - 1) / 2) * width,
                finding.value,
                width * 0.92,
                color=LINE_COLOURS[index % len(LINE_COLOURS)],
                hatch="" if index == 0 else "//",
                yerr=finding.uncertainty or None,
                capsize=3,
                label=name if place == 0 else None,
            )
    band = next((f.band for _, fs in sides for f in fs if f.check == "fuel_trim" and f.band), None)
    if band is not None:
        low, high = (np.nan if edge is None else edge for edge in band.within)
        axes.axhspan(low, high, color=GREEN, alpha=0.15, label="within its band")
    axes.axhline(0, color=BLACK, lw=0.8)
    axes.set_xticks(range(len(subjects)), [s.replace(", ", "\n") for s in subjects], fontsize=8)
    axes.set_ylabel("%")
    axes.set_title("Fuel trim totals (short term + long term)")
    axes.legend()
    _save(figure, path)
