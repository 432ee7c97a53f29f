"""A number over a car's life, on the spread of the same number over other cars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QPointF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFocusEvent

from logbench.analysis.model import Verdict
from logbench.app.plot.late_graph import PointedGraph
from logbench.app.theme import Look
from logbench.job.times import parse_time
from logbench.signals.numbers import round_range, started_text
from logbench.signals.units import unit_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.analysis.changes import Life
    from logbench.app.plot.graph import Graph
    from logbench.archive.trend import Spread, Trend

_NEAR_PX = 28
"""Across and down together: so near to a point, the pointer is at it."""
_MARGIN = 0.06
"""Of the width, left and right of the points: room for half of a date."""
_WIDEST = 1e12
"""An uncertainty beyond this is drawn as this."""
_OWN_ALPHA, _CHANGE_ALPHA = 60, 28
BANDS = (("5 %", "95 %", 35), ("25 %", "75 %", 75))
"""Of a spread over others: from where to where, and how dense."""


class TrendPlot(PointedGraph):
    """Points with their uncertainty; left and right move along them, Enter chooses."""

    chosen = Signal(str)
    """A recording."""
    pointed = Signal(str)
    """A sentence about the point that the keys or the pointer are at."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        self._shown: Trend | None = None
        self.setMinimumSize(QSize(300, 100))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName(tr("Trend over the car's life"))

    def show_trend(self, trend: Trend | None) -> None:
        """Another number, or nothing."""
        self._shown = trend if trend is not None and trend.points else None
        self.at = len(trend.points) - 1 if trend is not None else -1
        if trend is not None:
            name, n = trend.title, len(trend.points)
            self.setAccessibleName(tr("{name} over {n} recordings of the car", name=name, n=n))
        self.draw()

    def sentence(self) -> str:
        """About the point that is marked."""
        if self._shown is None:
            return ""
        point, unit = self._shown.points[self.at], self._shown.unit
        number = self.look.units.figure(point.value, unit, point.uncertainty)
        when = started_text(point.started)
        verdict = word(point.verdict or "not judged")
        return f"{when}: {number}, {verdict}"

    # --- drawing ---

    def fill(self, graph: Graph) -> None:
        """Spread, dates, points."""
        graph.getViewBox().setBorder(QColor(self.look.theme.accent) if self.hasFocus() else None)
        graph.showGrid(x=False, y=True)  # with one, dates would be cut to the plot's width
        graph.hideAxis("right")
        if self._shown is None:
            return
        unit = self._shown.unit
        x, dated = times_of(self._shown)
        y = self.look.units.array(np.array([p.value for p in self._shown.points]), unit)
        doubts = np.array([min(p.uncertainty or 0.0, _WIDEST) for p in self._shown.points])
        doubts *= abs(self.look.units.line(unit)[0])
        ends = [*(y - doubts), *(y + doubts)]
        if self._shown.spread is not None and self._shown.spread.quantiles:
            ends += self._fill_spread(graph, self._shown.spread)
        if self._shown.life is not None:
            ends += draw_life(graph, self.look, self._shown.life, x, unit)
        low, high = round_range(min(ends), max(ends))
        margin = _MARGIN * (x[-1] - x[0]) or 1.0
        graph.setRange(xRange=(x[0] - margin, x[-1] + margin), yRange=(low, high), padding=0)
        first, last = self._shown.points[0], self._shown.points[-1]
        dates = [(x[0], started_text(first.started, 10)), (x[-1], started_text(last.started, 10))]
        graph.getAxis("bottom").setTicks([dates if dated else [(x[0], "1"), (x[-1], str(len(x)))]])
        graph.set_titles(
            "" if dated else tr("in order, dates are missing"),
            unit_text(self.look.units.unit(unit)),
        )
        self._fill_points(graph, x, y, doubts)

    def _fill_spread(self, graph: Graph, spread: Spread) -> list[float]:
        """Bands that half and nine tenths of other cars lie in; returns their ends."""

        assert self._shown is not None
        values = {
            name: self.look.units.value(value, self._shown.unit)
            for name, value in spread.quantiles.items()
        }
        draw_spread(graph, self.look, values, across=True)
        middle = values["50 %"]
        liters = self._shown.displacement_l or 0
        said = tr("{cars} other cars\nof {displacement_l:.1f} L", cars=spread.cars,
                  displacement_l=liters)  # fmt: skip
        graph.showAxis("right")
        graph.getAxis("right").setTicks([[(middle, said)]])
        return list(values.values())

    def _fill_points(self, graph: Graph, x: list[float], y: np.ndarray, doubts: np.ndarray) -> None:
        import pyqtgraph as pg

        assert self._shown is not None
        graph.plot(x, y, pen=pg.mkPen(self.look.theme.text))
        verdicts = [Verdict(p.verdict or "not judged") for p in self._shown.points]
        colors = [self.look.theme.verdict(verdict) for verdict in verdicts]
        for at, value, doubt, color in zip(x, y, doubts, colors, strict=True):
            if doubt:
                line = ([at, at], [value - doubt, value + doubt])
                graph.plot(*line, pen=pg.mkPen(color, width=2))
        dots = pg.ScatterPlotItem(x, y, size=9, pen=None, brush=colors)
        ring = pg.mkPen(self.look.theme.cursor, width=2)
        chosen = pg.ScatterPlotItem([x[self.at]], [y[self.at]], size=17, pen=ring, brush=None)
        graph.addItem(dots)
        graph.addItem(chosen)

    # --- pointing ---

    def _places(self) -> list[QPointF]:
        """Where the points are, in widget pixels."""
        if self.graph is None or self._shown is None:
            return []
        x, _ = times_of(self._shown)
        y = [self.look.units.value(p.value, self._shown.unit) for p in self._shown.points]
        to_scene = self.graph.getViewBox().mapViewToScene
        points = [to_scene(QPointF(a, b)) for a, b in zip(x, y, strict=True)]
        return [QPointF(self.graph.mapFromScene(point)) for point in points]

    def point_at(self, number: int) -> None:
        """Show this point, or the nearest to it that there is."""
        if self._shown is not None:
            self.at = min(max(number, 0), len(self._shown.points) - 1)
            self.pointed.emit(self.sentence())
        self.draw()

    def nearest(self, at: QPointF) -> int:
        """The point there; -1 where none is near."""
        gaps = [(place - at).manhattanLength() for place in self._places()]
        best = int(np.argmin(gaps)) if gaps else -1
        return best if best >= 0 and gaps[best] <= _NEAR_PX else -1

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Show that the keys are here."""
        super().focusInEvent(event)
        self.point_at(self.at)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Show that they no longer are."""
        super().focusOutEvent(event)
        self.draw()

    def choose(self) -> None:
        """Name the recording of the point."""
        if self._shown is not None:
            self.chosen.emit(self._shown.points[self.at].recording)


def draw_life(graph: Graph, look: Look, life: Life, x: list[float], unit: str) -> list[float]:
    """The band in which a car moves untouched, between the changes; returns their ends. A change is
    a line on the interval it lies in. `x`: of the drives that the life is told by."""
    import pyqtgraph as pg

    fill, marked = QColor(look.theme.accent), QColor(look.theme.text)
    fill.setAlpha(_OWN_ALPHA)
    marked.setAlpha(_CHANGE_ALPHA)
    margin = _MARGIN * (x[-1] - x[0]) or 1.0
    ends = []
    for state in life.states:
        begin = _middle(x, state.begin) if state.begin else x[0] - margin
        end = _middle(x, state.end) if state.end < len(x) else x[-1] + margin
        low, high = sorted(look.units.value(v, unit) for v in (state.low, state.high))
        ends += [low, high]
        lines = [pg.PlotDataItem([begin, end], [y, y], pen=pg.mkPen(fill)) for y in (low, high)]
        for item in (*lines, pg.FillBetweenItem(*lines, brush=fill)):
            graph.addItem(item, ignoreBounds=True)
        level = look.units.value(state.median, unit)
        graph.plot([begin, end], [level, level], pen=pg.mkPen(look.theme.accent, width=2))
    for change in life.changes:
        reach = (x[change.first - 1], x[change.last])
        graph.addItem(
            pg.LinearRegionItem(reach, brush=marked, pen=pg.mkPen(None), movable=False),
            ignoreBounds=True,
        )
        pen = pg.mkPen(look.theme.text, width=2, style=Qt.PenStyle.DashLine)
        graph.addItem(pg.InfiniteLine(_middle(x, change.at), pen=pen), ignoreBounds=True)
    return ends


def draw_spread(graph: Graph, look: Look, values: dict[str, float], *, across: bool) -> None:
    """Bands that half and nine tenths of other cars lie in, and their middle; `values`, in the
    units shown, as in `Spread.quantiles`. `across`: the number is on the y axis."""
    import pyqtgraph as pg

    for lower, upper, alpha in BANDS:
        color = look.theme.trace(2)
        color.setAlpha(alpha)
        band = pg.LinearRegionItem(
            (values[lower], values[upper]), orientation="horizontal" if across else "vertical",
            brush=color, pen=pg.mkPen(None), movable=False,
        )  # fmt: skip
        graph.addItem(band, ignoreBounds=True)
    pen = pg.mkPen(look.theme.trace(2), style=Qt.PenStyle.DashLine)
    line = pg.InfiniteLine(values["50 %"], angle=0 if across else 90, pen=pen)
    graph.addItem(line, ignoreBounds=True)


def _middle(x: list[float], at: int) -> float:
    """Between a point and the one before."""
    return 0.5 * (x[at - 1] + x[at])


def times_of(shown: Trend) -> tuple[list[float], bool]:
    """Seconds since 1970 and True, or places in a row and False where a date is missing."""
    moments = [parse_time(point.started) for point in shown.points]
    times = [moment.timestamp() for moment in moments if moment is not None]
    dated = len(set(times)) == len(moments)
    return (times, True) if dated else ([float(k) for k in range(len(moments))], False)
