"""One strip: its traces, its value axis and its header, painted in pixel coordinates.

What was painted is kept in a pixmap, in three parts that are renewed apart: the gutter with the
axis, the header, and the plot. A cursor that moves copies pixels and draws a line; it repaints no
trace.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import cast

import numpy as np
from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import (
    QColor,
    QFontMetrics,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.analysis.model import Span
from logbench.app.plot import lines
from logbench.app.plot.pyramid import Buckets, Pyramid
from logbench.app.plot.ticks import round_range, tick_text, time_ticks, unit_text, value_text
from logbench.app.plot.ticks import value_ticks as ticks_of
from logbench.app.plot.view import SECOND, TimeView
from logbench.app.theme import Theme

GUTTER = 72
"""Width of the value axis, pixels; the same for all strips, so that their times line up."""
RIGHT = 10
HEADER = 24
_FOOT = 5
_FEWEST_DATA_SHARE = 0.4
_LEAST_RANGE = {"rpm": 200, "km/h": 10, "%": 5, "degC": 5, "kPa": 5, "V": 0.5, "deg": 5, "g/s": 1}
"""By unit; about ten to twenty times the step or noise of such a signal."""


@dataclass(slots=True)
class StripTrace:
    """A trace as a strip shows it."""

    signal: str
    ecu: str
    unit: str
    pyramid: Pyramid
    label: str = ""
    group: str = ""
    """Traces of one group may share a strip; empty: all of the same unit."""
    plottable: bool = True
    """False for enumerations and flags: their values are words."""
    band: tuple[float | None, float | None] | None = None
    """Shaded as the range looked for; None is an open end."""

    @property
    def key(self) -> tuple[str, str]:
        """Signal and ECU."""
        return self.signal, self.ecu


@dataclass(slots=True)
class ValueRange:
    """The values a strip spans, in round numbers, with hysteresis against nervous scales."""

    low: float = 0.0
    high: float = 1.0
    least: float = 0.0
    """The narrowest range to show: a steady signal's noise is not blown up to the full height."""
    _known: bool = field(default=False)

    def fit(self, low: float, high: float) -> bool:
        """Make room for data from `low` to `high`; True when the range changed.

        It grows at once, and shrinks only when the data fills less than two fifths of it.
        """
        if not (np.isfinite(low) and np.isfinite(high)):
            return False
        short = self.least - (high - low)
        if short > 0:
            floor = 0.0 if low >= 0 else -np.inf
            low = max(floor, low - short / 2)
            high = low + self.least
        inside = self._known and low >= self.low and high <= self.high
        if inside and high - low >= _FEWEST_DATA_SHARE * (self.high - self.low):
            return False
        fresh = round_range(low, high)
        if self._known and inside and fresh[1] - fresh[0] > 0.6 * (self.high - self.low):
            return False
        changed = fresh != (self.low, self.high)
        self.low, self.high = fresh
        self._known = True
        return changed


def _rects(event: QPaintEvent) -> list[QRect]:
    """The parts to paint. (Qt's stubs do not know that a region can be iterated.)"""
    return list(cast("Iterable[QRect]", event.region()))


class Strip(QWidget):
    """Traces of one unit over the shared time axis."""

    def __init__(
        self,
        view: TimeView,
        theme: Theme,
        unit: str,
        group: str = "",
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.view = view
        self.theme = theme
        self.unit = unit
        self.group = group
        self.traces: list[StripTrace] = []
        self.range = ValueRange(least=_LEAST_RANGE.get(unit, 0.0))
        self.shades: tuple[Span, ...] = ()
        self.event_times: list[int] = []
        self._kept = QPixmap()
        self._plot_stale = self._frame_stale = True
        self._painted_cursor_x: list[float] = []
        self.setMinimumHeight(70)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)

    def sizeHint(self) -> QSize:
        """Room for a readable axis."""
        return QSize(600, 140)

    # --- what is shown ---

    def add(self, trace: StripTrace) -> None:
        """Show one more trace; its unit must be the strip's."""
        if trace.unit != self.unit:
            raise ValueError(f"a strip of {self.unit} cannot show a trace of {trace.unit}")
        self.traces.append(trace)
        self._named()

    def remove(self, key: tuple[str, str]) -> None:
        """Show that trace no longer."""
        self.traces = [t for t in self.traces if t.key != key]
        self._named()

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.theme = theme
        self.renew()

    def set_shades(self, spans: tuple[Span, ...]) -> None:
        """Shade these spans under the traces (the evidence of a finding)."""
        self.shades = spans
        self.renew()

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        self._plot_stale = self._frame_stale = True
        self.update()

    def refresh(self) -> None:
        """Samples came or the view moved: paint the plot again."""
        self._plot_stale = True
        self.update(self.plot_rect())

    def refresh_values(self) -> None:
        """Write the header's values again."""
        self.update(0, 0, self.width(), HEADER)

    def plot_rect(self) -> QRect:
        """Where traces are drawn, in widget pixels."""
        return QRect(GUTTER, HEADER, self.view.pixels, max(1, self.height() - HEADER - _FOOT))

    def move_cursor(self) -> None:
        """Repaint only the columns where the cursors were and are, and the header's values."""
        fresh = self._cursor_columns()
        for x in {*fresh, *self._painted_cursor_x}:
            self.update(int(x) - 2, HEADER, 5, self.height() - HEADER)
        self._painted_cursor_x = fresh
        self.refresh_values()

    def value_text_at(self, trace: StripTrace, t_ns: int | None) -> str:
        """The trace's last value at or before `t_ns` (None: its newest) as text with unit."""
        found = trace.pyramid.at(trace.pyramid.end_ns if t_ns is None else t_ns)
        if found is None:
            return "–"
        shown = value_text(found[1], trace.unit)
        return f"{shown} {unit_text(trace.unit)}".strip()

    # --- painting ---

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Paint anew at the new size."""
        ratio = self.devicePixelRatioF()
        self._kept = QPixmap(self.size() * ratio)
        self._kept.setDevicePixelRatio(ratio)
        self.renew()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Renew what is stale, copy it to the screen, draw cursors and values over it."""
        if self._kept.isNull():
            return
        if self._plot_stale:
            self._paint_plot()
        if self._frame_stale:
            self._paint_frame()
        painter = QPainter(self)
        ratio = self._kept.devicePixelRatio()
        for rect in _rects(event):
            source = QRect(
                round(rect.x() * ratio), round(rect.y() * ratio),
                round(rect.width() * ratio), round(rect.height() * ratio),
            )  # fmt: skip
            painter.drawPixmap(rect, self._kept, source)
        if event.rect().top() < HEADER:
            self._draw_header(painter)
        self._draw_cursors(painter)
        painter.end()

    def _paint_plot(self) -> None:
        self._plot_stale = False
        rect = self.plot_rect()
        pixels = self.view.pixels
        drawn = [t.pyramid.buckets(self._t0, self._t1, pixels) for t in self.traces]
        lows = [float(np.fmin.reduce(b.low)) for b in drawn if len(b)]
        highs = [float(np.fmax.reduce(b.high)) for b in drawn if len(b)]
        known = [(a, b) for a, b in zip(lows, highs, strict=True) if np.isfinite(a)]
        if known and self.range.fit(min(a for a, _ in known), max(b for _, b in known)):
            self._frame_stale = True
            self.update()
        painter = QPainter(self._kept)
        painter.setClipRect(rect)
        painter.fillRect(rect, QColor(self.theme.plot))
        painter.translate(rect.topLeft())
        self._draw_ground(painter, rect)
        height = rect.height() - 1
        scale = height / (self.range.high - self.range.low)
        for index, (trace, buckets) in enumerate(zip(self.traces, drawn, strict=True)):
            self._draw_trace(painter, trace, buckets, index, (height, scale))
        painter.end()

    def _draw_trace(
        self,
        painter: QPainter,
        trace: StripTrace,
        buckets: Buckets,
        index: int,
        height_scale: tuple[int, float],
    ) -> None:
        height, scale = height_scale
        x = buckets.t_ns * (1.0 / self.view.ns_per_px)
        low = height - (buckets.low - self.range.low) * scale
        style = lines.STYLES[index % len(lines.STYLES)]
        gap = trace.pyramid.gap_ns(buckets.samples)
        if lines.dense(buckets, self.view.pixels):
            high = height - (buckets.high - self.range.low) * scale
            rows = lines.columns(buckets, x, low, high, gap)
        else:
            rows = lines.polyline(buckets, x, low, gap)
        color = self.theme.trace(index)
        lines.draw_styled(painter, rows, color, style, self.view.first_column)

    def _draw_ground(self, painter: QPainter, rect: QRect) -> None:
        view = self.view
        for span in self.shades:
            x0, x1 = view.x_of(span.start_ns), view.x_of(span.end_ns)
            if x1 >= 0 and x0 <= rect.width():
                left, width = max(0, int(x0)), max(2, int(min(x1, rect.width()) - max(x0, 0)))
                painter.fillRect(left, 0, width, rect.height(), QColor(self.theme.shade))
        self._draw_bands(painter, rect)
        painter.setPen(QPen(QColor(self.theme.grid), 1))
        for _, y in self._value_ticks():
            painter.drawLine(0, int(y), rect.width(), int(y))
        times, _ = time_ticks(self._t0 / SECOND, self._t1 / SECOND, max(2, view.pixels // 110))
        for t in times:
            x = int(view.x_of(t * SECOND))
            painter.drawLine(x, 0, x, rect.height())
        painter.setPen(QPen(QColor(self.theme.muted), 1, Qt.PenStyle.DotLine))
        for t_ns in self.event_times:
            if self._t0 <= t_ns <= self._t1:
                x = int(view.x_of(t_ns))
                painter.drawLine(x, 0, x, rect.height())

    def _draw_bands(self, painter: QPainter, rect: QRect) -> None:
        for index, trace in enumerate(self.traces):
            if trace.band is None:
                continue
            low, high = trace.band
            top = self._y_of(self.range.high if high is None else high)
            bottom = self._y_of(self.range.low if low is None else low)
            color = self.theme.trace(index)
            color.setAlpha(34)
            painter.fillRect(0, int(top), rect.width(), int(bottom - top), color)

    def _paint_frame(self) -> None:
        """The header's ground, the axis and its labels."""
        self._frame_stale = False
        painter = QPainter(self._kept)
        window = QColor(self.theme.window)
        painter.fillRect(0, 0, self.width(), HEADER, window)
        painter.fillRect(0, HEADER, GUTTER, self.height() - HEADER, window)
        right = GUTTER + self.view.pixels
        painter.fillRect(right, 0, self.width() - right, self.height(), window)
        painter.fillRect(0, self.height() - _FOOT, self.width(), _FOOT, window)
        painter.setFont(self.font())
        painter.setPen(QColor(self.theme.muted))
        align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(QRect(0, 0, GUTTER - 8, HEADER), align, unit_text(self.unit))
        metrics = QFontMetrics(self.font())
        tall = metrics.height()
        ticks = self._value_ticks()
        step = ticks[1][0] - ticks[0][0] if len(ticks) > 1 else 1.0
        rect = self.plot_rect()
        for value, y in ticks:
            top = min(max(HEADER + y - tall / 2, HEADER), self.height() - tall)
            box = QRect(0, int(top), GUTTER - 8, tall)
            painter.drawText(box, align, tick_text(value, step))
        painter.setPen(QColor(self.theme.line))
        painter.drawLine(GUTTER - 1, HEADER, GUTTER - 1, rect.bottom() + 1)
        painter.drawLine(GUTTER - 1, rect.bottom() + 1, right, rect.bottom() + 1)
        painter.end()

    def header_boxes(self) -> list[tuple[StripTrace, QRect]]:
        """Where each trace's label and value stand in the header."""
        metrics = QFontMetrics(self.font())
        widths = [
            26 + metrics.horizontalAdvance(f"{t.label or t.signal}  −88,888 {unit_text(t.unit)}")
            for t in self.traces
        ]
        room = self.width() - GUTTER - RIGHT
        if sum(widths) > room:
            widths = [w * room // max(1, sum(widths)) for w in widths]
        boxes, x = [], GUTTER
        for trace, width in zip(self.traces, widths, strict=True):
            boxes.append((trace, QRect(x, 0, width, HEADER)))
            x += width
        return boxes

    def _draw_header(self, painter: QPainter) -> None:
        metrics = QFontMetrics(self.font())
        align = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        for index, (trace, box) in enumerate(self.header_boxes()):
            style = lines.STYLES[index % len(lines.STYLES)]
            for x0, x1 in lines.dashes(style, 20):
                left = box.left() + x0
                painter.fillRect(left, HEADER // 2 - 1, x1 - x0, 3, self.theme.trace(index))
            painter.setPen(QColor(self.theme.text))
            value = self.value_text_at(trace, self.view.cursor_ns)
            text = f"{trace.label or trace.signal}  {value}"
            inner = box.adjusted(26, 0, -4, 0)
            elide = Qt.TextElideMode.ElideRight
            painter.drawText(inner, align, metrics.elidedText(text, elide, inner.width()))

    def _draw_cursors(self, painter: QPainter) -> None:
        painter.setClipRect(self.plot_rect())
        bottom = self.height() - _FOOT
        for name, t_ns in self.view.marks.items():
            x = GUTTER + int(self.view.x_of(t_ns))
            painter.setPen(QPen(QColor(self.theme.accent), 1))
            painter.drawLine(x, HEADER, x, bottom)
            painter.drawText(QPointF(x + 4, HEADER + 14), name)
        if self.view.cursor_ns is not None:
            x = GUTTER + int(self.view.x_of(self.view.cursor_ns))
            painter.setPen(QPen(QColor(self.theme.cursor), 1))
            painter.drawLine(x, HEADER, x, bottom)

    # --- small geometry ---

    @property
    def _t0(self) -> int:
        return self.view.t_of(0)

    @property
    def _t1(self) -> int:
        return self.view.t_of(self.view.pixels)

    def _y_of(self, value: float) -> float:
        height = self.plot_rect().height() - 1
        share = (value - self.range.low) / (self.range.high - self.range.low)
        return height - min(max(share, -10.0), 10.0) * height

    def _value_ticks(self) -> list[tuple[float, float]]:
        most = max(2, self.plot_rect().height() // 34)
        return [(v, self._y_of(v)) for v in ticks_of(self.range.low, self.range.high, most)]

    def _cursor_columns(self) -> list[float]:
        times = [*self.view.marks.values()]
        if self.view.cursor_ns is not None:
            times.append(self.view.cursor_ns)
        return [GUTTER + self.view.x_of(t) for t in times]

    def _named(self) -> None:
        names = ", ".join(t.signal for t in self.traces) or "empty"
        self.setAccessibleName(f"Strip: {names}, {unit_text(self.unit)}")
        self.renew()
