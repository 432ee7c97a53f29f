"""Curves and points of all drives: each stands for one drive or several, which a press names."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFocusEvent, QResizeEvent

from logbench.app.archive.crowd import Crowd, crowd_of
from logbench.app.plot.late_graph import PointedGraph
from logbench.app.theme import Look
from logbench.signals.numbers import round_range, started_text, value_ticks
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph

Values = npt.NDArray[np.float64]
_NEAR_PX = 20
_MARGIN, _DATED_MARGIN = 0.08, 0.13
"""Of the width, left and right: with dates, room for half of one in a small window."""
_BEHIND_ALPHA = 120
_TICKS = 4


@dataclass(frozen=True)
class Mark:
    """A curve or a point: the drives behind it, and a sentence about it."""

    drives: tuple[str, ...]
    said: Callable[[], str]


@dataclass
class Drawing:
    """What is on a plot, in the units shown.

    `x`, `y`, shape (n,): all points; `which`, (n,): the place of each one's mark in `marks`;
    `front`, (marks,): those that stand in front. `curves`: the points of a mark are a curve;
    otherwise each is a dot, in one of `colors` (None: gray). `under`: draws what lies below, and
    returns the values that must be in sight. `dated`: x are seconds since 1970. `flags`: marks that
    are lines across the plot, by their x.
    """

    x: Values
    y: Values
    which: npt.NDArray[np.intp]
    marks: list[Mark]
    front: npt.NDArray[np.bool_]
    curves: bool = False
    colors: Sequence[QColor] = ()
    titles: tuple[str, str] = ("", "")
    under: Callable[[Graph], Sequence[float]] = lambda graph: ()
    dated: bool = False
    counted: bool = False
    """The y axis counts: it has no numbers of its own below zero."""
    flags: dict[float, str] = field(default_factory=dict)


class FleetPlot(PointedGraph):
    """Left and right move along the marks, Enter or a press names the drives behind one."""

    chosen = Signal(object)
    """A `Mark`."""
    pointed = Signal(str)
    """A sentence about what the pointer or the keys are at."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        self.drawing: Drawing | None = None
        self._make: Callable[[], Drawing] | None = None
        self._spot: Any = None
        self._crowd: Crowd | None = None
        self._span = (0.0, 1.0)
        """The y axis, from and to."""
        self.banded = False
        """Whether curves run together, and bands are in their place."""
        self.setMinimumSize(QSize(300, 100))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName(tr("Picture of all drives"))

    def show_drawing(self, make: Callable[[], Drawing] | None) -> None:
        """Another picture, made anew in each look and in each unit; None: nothing."""
        self._make, self.drawing, self.at = make, None, -1
        self.draw()

    def draw(self) -> None:
        """Without a picture there is no plot to be made, which takes its time at first."""
        if self._make is not None or self.graph is not None:
            super().draw()

    # --- drawing ---

    def fill(self, graph: Graph) -> None:
        """What lies below, then the marks from the back to the front."""
        import pyqtgraph as pg

        graph.getViewBox().setBorder(QColor(self.look.theme.accent) if self.hasFocus() else None)
        graph.hideAxis("right")
        graph.hideAxis("top")
        graph.set_head("")
        self._spot = self._crowd = None
        made = self.drawing = None if self._make is None else self._make()
        if made is None or not (len(made.x) or made.flags):
            graph.set_titles("", "")
            for side in ("bottom", "left"):
                graph.getAxis(side).setTicks([[]])
            return
        ends = np.append(made.y, made.under(graph))
        low, high = (
            round_range(float(np.min(ends)), float(np.max(ends))) if len(ends) else (0.0, 1.0)
        )
        at = np.append(made.x, [*made.flags])
        first, last = float(np.min(at)), float(np.max(at))
        margin = (_DATED_MARGIN if made.dated else _MARGIN) * (last - first) or 1.0
        x_range, self._span = (first - margin, last + margin), (low, high)
        graph.setRange(xRange=x_range, yRange=(low, high), padding=0)
        graph.showGrid(x=not made.dated, y=True)
        graph.getAxis("bottom").setTicks([_dates(first, last)] if made.dated else None)
        graph.getAxis("left").setTicks([_counts(high)] if made.counted else None)
        graph.set_titles(*made.titles)
        self._crowd = crowd_of(made.x, made.y) if made.curves else None
        self.banded = self._runs_together()
        if made.curves:
            self._fill_curves(graph, made)
        else:
            self._fill_dots(graph, made)
        self._fill_flags(graph, made)
        pen = pg.mkPen(self.look.theme.cursor, width=2)
        symbol = None if made.curves else "o"
        self._spot = pg.PlotDataItem(
            [], [], pen=pen if made.curves else None, symbol=symbol, symbolSize=15, symbolPen=pen,
            symbolBrush=None,
        )  # fmt: skip
        graph.addItem(self._spot, ignoreBounds=True)
        self._mark()

    def _fill_curves(self, graph: Graph, made: Drawing) -> None:
        import pyqtgraph as pg

        behind = QColor(self.look.theme.muted)
        behind.setAlpha(_BEHIND_ALPHA)
        in_front = made.front[made.which]
        gray = ~in_front
        if self._crowd is not None and self.banded:
            self._crowd.draw(graph, self.look)
            gray &= ~np.isin(made.x, self._crowd.x)
            graph.set_head(self._crowd.said)
        for part, color, width in ((gray, behind, 1), (in_front, self.look.theme.accent, 2)):
            which = made.which[part]
            if not len(which):
                continue
            joined = np.append(which[1:] == which[:-1], False).astype(np.int32)
            curve = pg.PlotCurveItem(
                made.x[part], made.y[part], connect=joined, pen=pg.mkPen(color, width=width)
            )
            curve.setCacheMode(pg.QtWidgets.QGraphicsItem.CacheMode.DeviceCoordinateCache)
            graph.addItem(curve, ignoreBounds=True)

    def _runs_together(self) -> bool:
        if self._crowd is None or self.graph is None:
            return False
        low, high = self._span
        tall = self.height() - self.graph.getAxis("bottom").minimumHeight()
        return self._crowd.runs_together(tall / (high - low))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """In another room other curves run together."""
        super().resizeEvent(event)
        if self._crowd is not None and self._runs_together() != self.banded:
            self.draw()

    def _fill_dots(self, graph: Graph, made: Drawing) -> None:
        import pyqtgraph as pg

        behind = QColor(self.look.theme.muted)
        behind.setAlpha(_BEHIND_ALPHA)
        in_front = made.front[made.which]
        dots = pg.ScatterPlotItem(
            made.x[~in_front], made.y[~in_front], size=6, pen=None, brush=behind
        )
        graph.addItem(dots, ignoreBounds=True)
        colors = [color for color, part in zip(made.colors, in_front, strict=True) if part]
        edge = pg.mkPen(self.look.theme.plot)
        dots = pg.ScatterPlotItem(
            made.x[in_front], made.y[in_front], size=10, pen=edge, brush=colors
        )
        graph.addItem(dots, ignoreBounds=True)

    def _fill_flags(self, graph: Graph, made: Drawing) -> None:
        """Lines across, named above the plot."""
        import pyqtgraph as pg

        if not made.flags:
            return
        pen = pg.mkPen(self.look.theme.text, width=1, style=Qt.PenStyle.DashLine)
        for x in made.flags:
            graph.addItem(pg.InfiniteLine(x, pen=pen), ignoreBounds=True)
        graph.showAxis("top")
        graph.getAxis("top").setTicks([list(made.flags.items())])
        graph.getAxis("top").setTextPen(self.look.theme.text)

    # --- pointing ---

    def sentence(self) -> str:
        """About the mark that is pointed at."""
        made = self.drawing
        return made.marks[self.at].said() if made is not None and self.at >= 0 else ""

    def point_at(self, number: int) -> None:
        """Mark one; beyond the ends, the last."""
        if self.drawing is not None and self.drawing.marks:
            self.at = min(max(number, 0), len(self.drawing.marks) - 1)
            self._mark()
            self.pointed.emit(self.sentence())

    def _mark(self) -> None:
        made, spot = self.drawing, self._spot
        if made is not None and spot is not None and self.at >= 0:
            here = made.which == self.at
            spot.setData(made.x[here], made.y[here])

    def nearest(self, at: QPointF) -> int:
        """The place of the mark at some place of the widget; -1: none is near."""
        made = self.drawing
        if self.graph is None or made is None:
            return -1
        x, y = self._pixels(made.x, made.y)
        gaps = np.hypot(x - at.x(), y - at.y())
        best = int(np.argmin(gaps)) if len(gaps) else -1
        if best >= 0 and gaps[best] <= _NEAR_PX:
            return int(made.which[best])
        lines, _ = self._pixels(np.array([*made.flags]), np.zeros(len(made.flags)))
        flags = np.abs(lines - at.x())
        if len(flags) and flags.min() <= _NEAR_PX / 2:
            return len(made.marks) - len(flags) + int(np.argmin(flags))
        return -1

    def _pixels(self, x: Values, y: Values) -> tuple[Values, Values]:
        """Where points of the plot are in the widget."""
        assert self.graph is not None
        scene = self.graph.getViewBox().mapViewToScene
        (x_low, x_high), (y_low, y_high) = self.graph.getViewBox().viewRange()
        low = QPointF(self.graph.mapFromScene(scene(QPointF(x_low, y_low))))
        high = QPointF(self.graph.mapFromScene(scene(QPointF(x_high, y_high))))
        across = (high.x() - low.x()) / (x_high - x_low)
        down = (high.y() - low.y()) / (y_high - y_low)
        return low.x() + (x - x_low) * across, low.y() + (y - y_low) * down

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that the keys are here."""
        super().focusInEvent(event)
        self._frame()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Show that they no longer are."""
        super().focusOutEvent(event)
        self._frame()

    def _frame(self) -> None:
        if self.graph is not None:
            color = QColor(self.look.theme.accent) if self.hasFocus() else None
            self.graph.getViewBox().setBorder(color)

    def choose(self) -> None:
        """Name the drives behind the mark."""
        if self.drawing is not None and self.at >= 0:
            self.chosen.emit(self.drawing.marks[self.at])


def _dates(first: float, last: float) -> list[tuple[float, str]]:
    """A few days from the first to the last, both with their dates."""
    moments = np.linspace(first, last, _TICKS) if last > first else [first]
    return [
        (float(t), started_text(datetime.fromtimestamp(t, UTC).isoformat(), 10)) for t in moments
    ]


def _counts(most: float) -> list[tuple[float, str]]:
    """Whole numbers from zero on."""
    return [(at, f"{at:.0f}") for at in value_ticks(0.0, most, 5) if at == round(at)]
