"""Plots of a comparison as PNG files, without a display (matplotlib's Agg canvas)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator

from logbench.analysis.comparison.cells import RPM_EDGES, LoadAxis, key_of
from logbench.analysis.comparison.overlay import Overlay
from logbench.analysis.comparison.results import Comparison, SignalResult, SignalVerdict
from logbench.errors import StorageError
from logbench.report.plots import BLACK, BLUE, GREEN, ORANGE, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MAP = "PuOr"
"""Diverging, told apart with any colour vision (ColorBrewer)."""


def plot_intervals(comparison: Comparison, path: Path) -> None:
    """One bar a signal: its change with the 95 % interval, in units of what could have been missed,
    so that signals of all units share an axis. Raises StorageError."""
    shown = [s for s in comparison.signals if s.change is not None and s.detectable]
    figure = Figure(figsize=(10, 1.6 + 0.42 * max(1, len(shown))), layout="constrained")
    axes = figure.subplots()
    for row, s in enumerate(shown):
        _interval_bar(axes, row, s)
    labels = [f"{s.key}  {s.before:.4g} to {s.after:.4g} {s.unit}" for s in shown]
    axes.set_yticks(range(len(shown)), labels, fontsize=8)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.axvline(0.0, color=BLACK, lw=0.8)
    axes.axvspan(-1.0, 1.0, color="#DDDDDD", alpha=0.6, zorder=0)
    axes.set_xlabel("change, in units of the smallest change that would surely be found (grey)")
    axes.set_xscale("symlog", linthresh=2.0)
    axes.xaxis.set_major_locator(FixedLocator([-50, -20, -10, -5, -2, -1, 0, 1, 2, 5, 10, 20, 50]))
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_title("After less before at equal operating points, 95 % intervals", fontsize=11)
    if not shown:
        axes.text(0.5, 0.5, "Nothing was comparable.", transform=axes.transAxes, ha="center")
    _save(figure, path)


def _interval_bar(axes: Axes, row: int, s: SignalResult) -> None:
    assert s.change is not None
    scale = s.detectable or 1.0
    changed = s.verdict is SignalVerdict.CHANGED
    colour = VERMILLION if s.relevant else ORANGE if changed else BLUE
    axes.errorbar(
        s.change / scale,
        row,
        xerr=(s.half_width or 0.0) / scale,
        fmt="D" if changed else "o",
        color=colour,
        capsize=4,
        ms=6,
    )
    text = f"{s.change:+.3g} ±{s.half_width:.2g} {s.unit}, {s.verdict.value}"
    axes.annotate(text, (1.01, row), xycoords=("axes fraction", "data"), fontsize=7, va="center")


def plot_cells(comparison: Comparison, key: str, path: Path) -> None:
    """The grid of differences of one signal: engine speed by load, hatched where only one side has
    been, ringed where a cell differs by itself. Raises StorageError; `KeyError` for an unknown key.
    """
    result = comparison.signal(key)
    figure = Figure(figsize=(9, 5.5), layout="constrained")
    axes = figure.subplots()
    axis = comparison.axis
    if axis is not None:
        top = max((abs(c.difference.value) for c in result.cells), default=1.0) or 1.0
        _hatch_single(axes, comparison, axis, {c.code for c in result.cells})
        colours = _colours(top)
        for cell, changed in zip(result.cells, result.cells_changed, strict=True):
            (x0, x1), (y0, y1) = key_of(cell.code).rpm, key_of(cell.code).load(axis)
            face = colours.to_rgba(np.array([cell.difference.value]))[0]
            edge, width = (BLACK, 2.2) if changed else ("#888888", 0.6)
            axes.add_patch(
                Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=face, edgecolor=edge, lw=width)
            )
            dark = abs(cell.difference.value) > 0.65 * top
            text = f"{cell.difference.value:+.2g}\n±{cell.difference.half_width:.2g}"
            axes.annotate(
                text,
                ((x0 + x1) / 2, (y0 + y1) / 2),
                ha="center",
                va="center",
                fontsize=7,
                color="white" if dark else BLACK,
            )
        figure.colorbar(colours, ax=axes, label=f"after less before, {result.unit}")
        axes.set_ylabel(f"{axis.title}, {axis.unit}")
    axes.autoscale_view()
    axes.set_xlabel("engine speed, rpm (hatched: only one side has been there)")
    axes.set_title(f"{result.title}: {result.reason}", fontsize=9, wrap=True)
    _save(figure, path)


def _colours(top: float) -> ScalarMappable:
    return ScalarMappable(Normalize(-top, top), _MAP)


def _hatch_single(axes: Axes, comparison: Comparison, axis: LoadAxis, shared: set[int]) -> None:
    for slots, hatch in ((comparison.before_slots, "///"), (comparison.after_slots, "\\\\\\")):
        if slots is None:
            continue
        for code in set(np.unique(slots.code).tolist()) - shared:
            (x0, x1), (y0, y1) = key_of(code).rpm, key_of(code).load(axis)
            axes.add_patch(
                Rectangle(
                    (x0, y0), x1 - x0, y1 - y0, fill=False, hatch=hatch, edgecolor="#BBBBBB", lw=0.4
                )
            )
    codes = [c for s in (comparison.before_slots, comparison.after_slots) if s for c in s.code]
    if codes:
        keys = [key_of(int(code)) for code in set(codes)]
        axes.set_xlim(
            RPM_EDGES[min(k.rpm_index for k in keys)], RPM_EDGES[max(k.rpm_index for k in keys) + 1]
        )
        loads = [edge for k in keys for edge in k.load(axis)]
        axes.set_ylim(min(loads), max(loads))


def plot_overlay(overlays: Sequence[Overlay], path: Path) -> None:
    """Strips of one or more overlays, each with its difference under it. Raises StorageError."""
    figure = Figure(figsize=(12, 0.8 + 2.6 * max(1, len(overlays))), layout="constrained")
    grid = figure.subplots(
        2 * max(1, len(overlays)),
        1,
        sharex=True,
        squeeze=False,
        gridspec_kw={"height_ratios": [2, 1] * max(1, len(overlays))},
    )[:, 0]
    for k, one in enumerate(overlays):
        upper, lower = grid[2 * k], grid[2 * k + 1]
        upper.plot(one.x, one.before, color=BLUE, lw=0.9, label="before")
        upper.plot(one.x, one.after, color=VERMILLION, lw=0.9, ls="--", label="after")
        upper.set_ylabel(f"{one.signal}, {one.unit}")
        upper.legend(loc="upper right", fontsize=7, ncols=2)
        lower.plot(one.x, one.difference, color=GREEN, lw=0.8)
        lower.axhline(0.0, color=BLACK, lw=0.6)
        lower.set_ylabel("difference", fontsize=8)
    if overlays:
        note = f" {overlays[0].note}" if overlays[0].note else ""
        grid[-1].set_xlabel(f"{overlays[0].x_unit}, placed by {overlays[0].by.value}.{note}")
    _save(figure, path)


def plot_warm_up(comparison: Comparison, path: Path) -> None:
    """Coolant temperature against the heat put in, both sides. Raises StorageError."""
    warm = comparison.warm_up
    figure = Figure(figsize=(9, 5), layout="constrained")
    axes = figure.subplots()
    for curve, colour, style, name in (
        (warm.before, BLUE, "-", "before"),
        (warm.after, VERMILLION, "--", "after"),
    ):
        if curve is not None:
            axes.plot(curve.heat, curve.degc, color=colour, ls=style, label=name)
            unit = "air burnt since the start, g"
            axes.set_xlabel(unit if curve.source == "MAF" else f"{unit} (relative, {curve.source})")
    axes.set_ylabel("coolant, degC")
    axes.set_title(warm.reason, fontsize=9, wrap=True)
    if warm.before or warm.after:
        axes.legend()
    _save(figure, path)


def _save(figure: Figure, path: Path) -> None:
    FigureCanvasAgg(figure)
    try:
        figure.savefig(path, dpi=110)
    except OSError as error:
        raise StorageError(f"The plot {path} cannot be written: {error.strerror}.") from error
