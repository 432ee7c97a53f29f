"""One strip: its traces, its value axis and its header.

Traces of one unit share the axis. A trace of another unit can be put in by hand; it is drawn to a
range of its own, and the axis is that of the chosen trace.

The plot is kept as pixels (`canvas.py`), and so is the gutter with the axis: a cursor that moves
copies pixels and draws a line; it repaints no trace.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import (
    QColor,
    QFocusEvent,
    QFontMetrics,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QRegion,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.analysis.model import Span
from logbench.app.plot import lines
from logbench.app.plot.canvas import Canvas, ValueRange
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot.trace import StripTrace
from logbench.signals.numbers import tick_text
from logbench.signals.units import Units, unit_text
from logbench.words import tr

GUTTER = 72
"""Width of the value axis, pixels; the same for all strips, so that their times line up."""
RIGHT = 10
HEADER = 24
LEAST_HEIGHT = 70
_LABEL_PX = 20
"""A cursor's letter stands within so much of its line."""
_FOOT = 5
_LABEL_LEFT = 26
_NARROWEST_VALUE = 30
_MIDDLE = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class Strip(QWidget):
    """Traces over the shared time axis."""

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
        self.unit = unit
        self.group = group
        self.canvas = Canvas(view, theme, unit)
        self.tells_now = False
        """Beside values at the cursor, the newest are written, too."""
        self._gutter = QPixmap()
        self._header = QPixmap()
        self._value_boxes: list[QRect] = []
        self._gutter_stale = True
        self._painted_cursor_x: list[int] = []
        self._chosen = 0
        self.setMinimumHeight(LEAST_HEIGHT)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def sizeHint(self) -> QSize:
        """Room for a readable axis."""
        return QSize(600, 140)

    # --- what is shown ---

    @property
    def traces(self) -> list[StripTrace]:
        """Those shown, the first in the theme's first colour."""
        return self.canvas.traces

    @property
    def range(self) -> ValueRange:
        """The values it spans."""
        return self.canvas.range

    def add(self, trace: StripTrace) -> None:
        """Show one more trace."""
        self.canvas.traces.append(trace)
        self._named()

    def remove(self, key: tuple[str, str]) -> None:
        """Show that trace no longer."""
        self.canvas.traces = [t for t in self.traces if t.key != key]
        self._named()

    @property
    def chosen(self) -> StripTrace | None:
        """The trace whose axis is shown, and which commands move; None in an empty strip."""
        return self.traces[min(self._chosen, len(self.traces) - 1)] if self.traces else None

    def choose(self, place: int) -> None:
        """Choose a trace by its place, counted round."""
        self._chosen = place % max(1, len(self.traces))
        self._named()

    def choose_next(self, by: int) -> None:
        """Choose the next trace (`by` > 0), or the one before."""
        self.choose(self._chosen + by)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.canvas.theme = theme
        self.renew()

    @property
    def unit_shown(self) -> str:
        """The unit as it is printed."""
        return self._unit_text(self.canvas.unit)

    @property
    def mixed(self) -> bool:
        """It shows traces of several units."""
        return len({t.unit for t in self.traces}) > 1

    def set_units(self, units: Units) -> None:
        """Show values in other units."""
        self.canvas.set_units(units)
        self._named()

    def set_shades(self, spans: tuple[Span, ...]) -> None:
        """Shade these spans under the traces (the evidence of a finding)."""
        self.canvas.shades = spans
        self.renew()

    def set_event_times(self, times_ns: list[int]) -> None:
        """Draw a thin line at each event."""
        self.canvas.event_times = times_ns
        self.renew()

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        self.canvas.renew()
        self._gutter_stale = True
        self.update()

    def refresh(self) -> None:
        """Samples came or the view moved: draw what changed."""
        if self.canvas.pixmap.isNull() or self.visibleRegion().isEmpty():
            self.canvas.renew()
            return
        changed, ranged = self.canvas.bring_up()
        self._gutter_stale |= ranged
        if ranged:
            self.update()
        elif not changed.isEmpty():
            self.update(changed.translated(GUTTER, HEADER))

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
            self.update(x - _LABEL_PX, HEADER, 2 * _LABEL_PX, self.height() - HEADER)
        self._painted_cursor_x = fresh
        self.refresh_values()

    def value_text_at(self, trace: StripTrace, t_ns: int | None) -> str:
        """The trace's last value at or before `t_ns` (None: its newest) as text with unit."""
        found = trace.pyramid.at(trace.pyramid.end_ns if t_ns is None else t_ns)
        if found is None:
            return "–"
        return self.canvas.units.text(found[1], trace.unit)

    # --- painting ---

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Mark the chosen trace."""
        self._gutter_stale = True
        super().focusInEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Mark it no longer."""
        self._gutter_stale = True
        super().focusOutEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Paint anew at the new size."""
        self.renew()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Copy what is kept to the screen, draw cursors and values over it."""
        rect, ratio = self.plot_rect(), self.devicePixelRatioF()
        kept = self.canvas.pixmap
        if kept.isNull() or kept.size() != rect.size() * ratio:
            self.canvas.resize(rect.size(), ratio)
        if not self.canvas.up_to_date:
            self._gutter_stale |= self.canvas.bring_up()[1]
        if self._gutter_stale:
            self._paint_gutter()
            self._paint_header()
        painter = QPainter(self)
        for part in _rects(event.region().intersected(rect)):
            source = part.translated(-rect.topLeft())
            painter.drawPixmap(part, self.canvas.pixmap, _scaled(source, ratio))
        window = QColor(self.canvas.theme.window)
        for part in _rects(event.region().subtracted(rect)):
            painter.fillRect(part, window)
        if event.rect().left() < GUTTER:
            painter.drawPixmap(0, 0, self._gutter)
        if event.rect().top() < HEADER:
            self._draw_header(painter)
        self._draw_cursors(painter)
        if self.hasFocus():
            painter.setClipping(False)
            painter.fillRect(0, 4, 4, self.height() - 8, QColor(self.canvas.theme.accent))
        painter.end()

    def _paint_gutter(self) -> None:
        """The axis and its labels."""
        self._gutter_stale = False
        ratio = self.devicePixelRatioF()
        self._gutter = QPixmap(QSize(GUTTER, self.height()) * ratio)
        self._gutter.setDevicePixelRatio(ratio)
        theme = self.canvas.theme
        self._gutter.fill(QColor(theme.window))
        painter = QPainter(self._gutter)
        self._draw_axis(painter)
        painter.end()

    def draw_on(self, painter: QPainter) -> None:
        """Draw it all as lines and text on any device, at the painter's origin."""
        painter.save()
        painter.translate(GUTTER, HEADER)
        self.canvas.draw(painter, 0, self.view.pixels)
        painter.restore()
        painter.setClipping(False)
        self._draw_axis(painter)
        painter.save()
        painter.translate(GUTTER, 0)
        self._draw_labels(painter)
        painter.restore()
        self._draw_values(painter)
        self._draw_cursors(painter)

    def _draw_axis(self, painter: QPainter) -> None:
        theme = self.canvas.theme
        painter.setFont(self.font())
        muted = QColor(theme.muted)
        painter.setPen(theme.trace(self._chosen) if self.mixed else muted)
        align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(QRect(0, 0, GUTTER - 8, HEADER), align, self.unit_shown)
        tall = QFontMetrics(self.font()).height()
        ticks = self.canvas.value_ticks()
        step = ticks[1][0] - ticks[0][0] if len(ticks) > 1 else 1.0
        free_to = float(self.height() + tall)
        for value, y in sorted(ticks):  # from below; a label that would overlap is left out
            top = min(max(HEADER + y - tall / 2, HEADER), self.height() - tall)
            if top + 0.85 * tall <= free_to:
                box = QRect(0, int(top), GUTTER - 8, tall)
                painter.drawText(box, align, tick_text(value, step))
                free_to = top
        painter.setPen(QColor(theme.line))
        painter.drawLine(GUTTER - 1, HEADER, GUTTER - 1, self.plot_rect().bottom() + 1)

    def header_boxes(self) -> list[QRect]:
        """Where each trace's label and value stand in the header."""
        metrics = QFontMetrics(self.font())
        texts = []
        for trace in self.traces:
            value = f"−88,888 {self._unit_text(trace.unit)}"
            now = tr("now {value}", value=value) if self.tells_now else ""
            texts.append(f"{trace.name}  {value}   {now}")
        widths = [_LABEL_LEFT + metrics.horizontalAdvance(text) for text in texts]
        room = self.width() - GUTTER - RIGHT
        if sum(widths) > room:
            widths = [w * room // max(1, sum(widths)) for w in widths]
        lefts = [GUTTER + sum(widths[:n]) for n in range(len(widths))]
        return [QRect(x, 0, w, HEADER) for x, w in zip(lefts, widths, strict=True)]

    def _paint_header(self) -> None:
        """The labels; the values are written over them."""
        ratio = self.devicePixelRatioF()
        self._header = QPixmap(QSize(max(1, self.width() - GUTTER), HEADER) * ratio)
        self._header.setDevicePixelRatio(ratio)
        self._header.fill(QColor(self.canvas.theme.window))
        painter = QPainter(self._header)
        self._draw_labels(painter)
        painter.end()

    def _draw_labels(self, painter: QPainter) -> None:
        theme = self.canvas.theme
        painter.setFont(self.font())
        painter.setPen(QColor(theme.text))
        metrics = QFontMetrics(self.font())
        self._value_boxes = []
        for place, (trace, box) in enumerate(zip(self.traces, self.header_boxes(), strict=True)):
            left = box.left() - GUTTER
            style = lines.STYLES[place % len(lines.STYLES)]
            for x0, x1 in lines.dashes(style, 20):
                painter.fillRect(left + x0, HEADER // 2 - 1, x1 - x0, 3, theme.trace(place))
            inner = QRect(left + _LABEL_LEFT, 0, box.width() - _LABEL_LEFT - 4, HEADER)
            name = metrics.elidedText(trace.name, Qt.TextElideMode.ElideRight, inner.width())
            painter.drawText(inner, _MIDDLE, name)
            if place == self._chosen and len(self.traces) > 1 and (self.mixed or self.hasFocus()):
                under = metrics.horizontalAdvance(name)
                painter.fillRect(inner.left(), HEADER - 3, under, 2, QColor(theme.accent))
            inner.setLeft(inner.left() + metrics.horizontalAdvance(trace.name + "  "))
            self._value_boxes.append(inner.translated(GUTTER, 0))

    def _draw_header(self, painter: QPainter) -> None:
        painter.drawPixmap(GUTTER, 0, self._header)
        self._draw_values(painter)

    def _draw_values(self, painter: QPainter) -> None:
        painter.setPen(QColor(self.canvas.theme.text))
        for trace, box in zip(self.traces, self._value_boxes, strict=True):
            if box.width() > _NARROWEST_VALUE:
                text = self.value_text_at(trace, self.view.cursor_ns)
                if self.tells_now and self.view.cursor_ns is not None:
                    text += "   " + tr("now {value}", value=self.value_text_at(trace, None))
                painter.drawText(box, _MIDDLE, text)

    def _draw_cursors(self, painter: QPainter) -> None:
        theme, rect = self.canvas.theme, self.plot_rect()
        painter.setPen(QColor(theme.line))
        painter.drawLine(GUTTER - 1, rect.bottom() + 1, rect.right(), rect.bottom() + 1)
        painter.setClipRect(rect)
        marks = sorted((GUTTER + int(self.view.x_of(t)), n) for n, t in self.view.marks.items())
        wide = QFontMetrics(self.font()).horizontalAdvance("A")
        for place, (x, name) in enumerate(marks):
            painter.setPen(QPen(QColor(theme.accent), 1))
            painter.drawLine(x, HEADER, x, rect.bottom())
            left = x - 4 - wide  # of the line, for the first of two
            first = place < len(marks) - 1 and left >= GUTTER
            painter.drawText(QPointF(left if first else x + 4, HEADER + 14), name)
        if self.view.cursor_ns is not None:
            x = GUTTER + int(self.view.x_of(self.view.cursor_ns))
            painter.setPen(QPen(QColor(theme.cursor), 1))
            painter.drawLine(x, HEADER, x, rect.bottom())

    # --- small things ---

    def _cursor_columns(self) -> list[int]:
        times = [*self.view.marks.values()]
        if self.view.cursor_ns is not None:
            times.append(self.view.cursor_ns)
        return [GUTTER + int(self.view.x_of(t)) for t in times]

    def _unit_text(self, unit: str) -> str:
        return unit_text(self.canvas.units.unit(unit))

    def _named(self) -> None:
        self._chosen = min(self._chosen, max(0, len(self.traces) - 1))
        if self.traces:
            self.canvas.unit = self.traces[self._chosen].unit
        names = ", ".join(t.signal for t in self.traces) or tr("empty")
        self.setAccessibleName(tr("Strip: {names}, {unit}", names=names, unit=self.unit_shown))
        self.renew()


def _rects(region: QRegion) -> list[QRect]:
    """The parts of a region. (Qt's stubs do not know that it can be iterated.)"""
    return list(cast("Iterable[QRect]", region))


def _scaled(rect: QRect, ratio: float) -> QRect:
    """In the device's pixels."""
    return QRect(
        round(rect.x() * ratio), round(rect.y() * ratio),
        round(rect.width() * ratio), round(rect.height() * ratio),
    )  # fmt: skip
