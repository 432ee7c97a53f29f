"""One strip: its traces, its value axis and its header.

Traces of one unit share the axis. A trace of another unit can be put in by hand; it is drawn to a
range of its own, and the axis is that of the chosen trace.

The plot is kept as pixels (`canvas.py`), and so are axis and header: a cursor that moves copies
pixels and draws a line; it repaints no trace.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from PySide6.QtCore import QPoint, QRect, QSize, Qt
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

from logbench.app.plot.axis import ValueAxis
from logbench.app.plot.canvas import GUTTER, HEADER, RIGHT, Canvas, StripLook
from logbench.app.plot.handles import LEAST_HEIGHT
from logbench.app.plot.painting import kept_picture
from logbench.app.plot.view import TimeView
from logbench.plot import lines
from logbench.plot.time_scale import reads_at
from logbench.plot.trace import StripTrace
from logbench.signals.units import unit_text
from logbench.signals.values import Clock, Shown
from logbench.words import tr

_LABEL_LEFT = 26
_NARROWEST_VALUE = 30
_MIDDLE = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_LABEL_PX, _TAB_PX = 34, 30
"""A cursor's letter stands in a tab so wide, within so much of its line."""
_FOOT = 5


class StripHeader:
    """Drawn over the plot of `strip`, whose font and width it takes."""

    def __init__(self, strip: QWidget, canvas: Canvas) -> None:
        self._strip = strip
        self._canvas = canvas
        self.pixmap = QPixmap()
        """The names, from the gutter on."""
        self._value_boxes: list[QRect] = []

    def boxes(self) -> list[QRect]:
        """Where each trace's name and value stand, in the strip's pixels."""
        metrics = QFontMetrics(self._strip.font())
        texts = []
        for trace in self._canvas.traces:
            number = f"−88,888 {unit_text(self._canvas.look.units.unit(trace.unit))}"
            value = max([*trace.words.values()] or [number], key=len)
            held = tr("○ {value}, {age} ago", value=value, age="88 s")
            texts.append(f"{trace.name}  {held}  ")
        widths = [_LABEL_LEFT + metrics.horizontalAdvance(text) for text in texts]
        room = self._strip.width() - GUTTER - RIGHT
        if sum(widths) > room:
            widths = [w * room // max(1, sum(widths)) for w in widths]
        lefts = [GUTTER + sum(widths[:n]) for n in range(len(widths))]
        return [QRect(x, 0, w, HEADER) for x, w in zip(lefts, widths, strict=True)]

    def label_at(self, at: QPoint) -> int | None:
        """Which trace's name stands at a point of the strip."""
        boxes = self.boxes() if at.y() < HEADER else []
        return next((n for n, box in enumerate(boxes) if box.contains(at)), None)

    def value_text(self, trace: StripTrace) -> str:
        """The trace's value at the cursor where that is in view, else now, as text with unit; empty
        with no cursor on a drive that is over."""
        at = reads_at(self._canvas.view)
        return "" if at is None else self._text(trace, trace.shown(at), at)

    def _text(self, trace: StripTrace, shown: Shown, at: int | Clock) -> str:
        text = shown.text(lambda value: trace.text(value, self._canvas.look.units))
        frozen = isinstance(at, Clock) and at.now_ns > self._canvas.view.end_ns
        return tr("now {value}", value=text) if frozen and shown.valid else text

    def renew(self) -> None:
        """Draw the names again."""
        width = max(1, self._strip.width() - GUTTER)
        ground = self._canvas.look.theme.window
        self.pixmap = kept_picture(self._strip, width, HEADER, ground, self.draw_labels)

    def draw_labels(self, painter: QPainter) -> None:
        """The names; the painter's origin is the gutter's edge."""
        canvas, theme = self._canvas, self._canvas.look.theme
        painter.setFont(self._strip.font())
        painter.setPen(QColor(theme.text))
        metrics = QFontMetrics(self._strip.font())
        marked = len(canvas.traces) > 1 and (canvas.mixed or self._strip.hasFocus())
        self._value_boxes = []
        shown = zip(canvas.traces, canvas.colors(), self.boxes(), strict=True)
        for place, (trace, color, box) in enumerate(shown):
            left = box.left() - GUTTER
            style = lines.STYLES[place % len(lines.STYLES)]
            for x0, x1 in lines.dashes(style, 20):
                painter.fillRect(left + x0, HEADER // 2 - 1, x1 - x0, 3, color)
            inner = QRect(left + _LABEL_LEFT, 0, box.width() - _LABEL_LEFT - 4, HEADER)
            name = metrics.elidedText(trace.name, Qt.TextElideMode.ElideRight, inner.width())
            painter.drawText(inner, _MIDDLE, name)
            if marked and place == canvas.chosen:
                under = metrics.horizontalAdvance(name)
                painter.fillRect(inner.left(), HEADER - 3, under, 2, QColor(theme.accent))
            inner.setLeft(inner.left() + metrics.horizontalAdvance(trace.name + "  "))
            self._value_boxes.append(inner.translated(GUTTER, 0))

    def draw_values(self, painter: QPainter) -> None:
        """The values, what is not a valid one muted, and before those at the cursor a piece of its
        line; the painter's origin is the strip's."""
        view, theme = self._canvas.view, self._canvas.look.theme
        metrics, at = QFontMetrics(self._strip.font()), reads_at(view)
        for trace, box in zip(self._canvas.traces, self._value_boxes, strict=True):
            if box.width() <= _NARROWEST_VALUE or at is None:
                continue
            room = QRect(box)
            if isinstance(at, int):
                painter.fillRect(box.left(), 5, 2, HEADER - 10, QColor(theme.cursor))
                room.setLeft(box.left() + 6)
            shown = trace.shown(at)
            painter.setPen(QColor(theme.text if shown.valid else theme.muted))
            text = self._text(trace, shown, at)
            text = metrics.elidedText(text, Qt.TextElideMode.ElideRight, room.width())
            painter.drawText(room, _MIDDLE, text)


class CursorLines:
    """The moving cursor, and A and B with their letters, over the plot of `strip`."""

    def __init__(self, strip: QWidget, canvas: Canvas) -> None:
        self._strip = strip
        self._canvas = canvas
        self._painted_x: list[int] = []

    def move(self) -> None:
        """Have the columns where they were and are painted again."""
        view = self._canvas.view
        times = [*view.marks.values()]
        if view.cursor_ns is not None:
            times.append(view.cursor_ns)
        fresh = [GUTTER + int(view.x_of(t)) for t in times]
        for x in {*fresh, *self._painted_x}:
            self._strip.update(x - _LABEL_PX, HEADER, 2 * _LABEL_PX, self._strip.height() - HEADER)
        self._painted_x = fresh

    def draw(self, painter: QPainter, rect: QRect) -> None:
        """Draw them, and the line under the plot, which lies in `rect`."""
        view, theme = self._canvas.view, self._canvas.look.theme
        painter.setPen(QColor(theme.line))
        painter.drawLine(GUTTER - 1, rect.bottom() + 1, rect.right(), rect.bottom() + 1)
        painter.setClipRect(rect)
        marks = sorted((GUTTER + int(view.x_of(t)), n) for n, t in view.marks.items())
        for place, (x, name) in enumerate(marks):
            painter.setPen(QPen(QColor(theme.accent), 2))
            painter.drawLine(x, HEADER, x, rect.bottom())
            first = place < len(marks) - 1 and x - _TAB_PX >= GUTTER  # of two: left of its line
            tab = QRect(x - _TAB_PX if first else x, HEADER, _TAB_PX, HEADER)
            painter.fillRect(tab, QColor(theme.accent))
            painter.setPen(QColor(theme.on_accent))
            painter.drawText(tab, Qt.AlignmentFlag.AlignCenter, f"‹{name}›")
        if view.cursor_ns is not None:
            x = GUTTER + int(view.x_of(view.cursor_ns))
            painter.setPen(QPen(QColor(theme.cursor), 1))
            painter.drawLine(x, HEADER, x, rect.bottom())


class Strip(QWidget):
    """Traces over the shared time axis."""

    def __init__(self, view: TimeView, look: StripLook, unit: str, group: str) -> None:
        super().__init__()
        self.view = view
        self.unit = unit
        self.group = group
        self.canvas = Canvas(view, look, unit)
        self.header = StripHeader(self, self.canvas)
        self.axis = ValueAxis(self, self.canvas)
        self._cursors = CursorLines(self, self.canvas)
        self._edges_stale = True
        """Axis and header are to be painted again."""
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
        """Those shown, from the left."""
        return self.canvas.traces

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
        return self.traces[self.canvas.chosen] if self.traces else None

    def choose(self, place: int) -> None:
        """Choose a trace by its place, counted round."""
        self.canvas.chosen = place % max(1, len(self.traces))
        self._named()

    def set_look(self, look: StripLook) -> None:
        """Draw it otherwise."""
        self.canvas.set_look(look)
        self._named()

    def renew(self) -> None:
        """Everything may have changed: paint all of it again."""
        self.canvas.renew()
        self._edges_stale = True
        self.update()

    def refresh(self) -> None:
        """Samples came or the view moved: draw what changed."""
        if self.canvas.pixmap.isNull() or self.visibleRegion().isEmpty():
            self.canvas.renew()
            return
        changed, ranged = self.canvas.bring_up()
        self._edges_stale |= ranged
        if ranged:
            self.update()
        elif not changed.isEmpty():
            self.update(changed.translated(GUTTER, HEADER))

    def refresh_values(self) -> None:
        """Write the header's values again."""
        self.update(0, 0, self.width(), HEADER)

    def move_cursor(self) -> None:
        """Repaint only the columns where the cursors were and are, and the header's values."""
        self._cursors.move()
        self.refresh_values()

    def plot_rect(self) -> QRect:
        """Where traces are drawn, in widget pixels."""
        return QRect(GUTTER, HEADER, self.view.pixels, max(1, self.height() - HEADER - _FOOT))

    # --- painting ---

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Mark the chosen trace."""
        self._edges_stale = True
        super().focusInEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Mark it no longer."""
        self._edges_stale = True
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
            self._edges_stale |= self.canvas.bring_up()[1]
        if self._edges_stale:
            self._edges_stale = False
            self.axis.renew()
            self.header.renew()
        painter = QPainter(self)
        for part in _rects(event.region().intersected(rect)):
            source = part.translated(-rect.topLeft())
            painter.drawPixmap(part, self.canvas.pixmap, _scaled(source, ratio))
        window = QColor(self.canvas.look.theme.window)
        for part in _rects(event.region().subtracted(rect)):
            painter.fillRect(part, window)
        if event.rect().left() < GUTTER:
            painter.drawPixmap(0, 0, self.axis.pixmap)
        if event.rect().top() < HEADER:
            painter.drawPixmap(GUTTER, 0, self.header.pixmap)
            self.header.draw_values(painter)
        self._cursors.draw(painter, rect)
        if self.hasFocus():
            painter.setClipping(False)
            painter.fillRect(0, 4, 4, self.height() - 8, QColor(self.canvas.look.theme.accent))
        painter.end()

    def draw_on(self, painter: QPainter) -> None:
        """Draw it all as lines and text on any device, at the painter's origin."""
        painter.save()
        painter.translate(GUTTER, HEADER)
        self.canvas.draw(painter, 0, self.view.pixels)
        painter.restore()
        painter.setClipping(False)
        self.axis.draw(painter)
        painter.save()
        painter.translate(GUTTER, 0)
        self.header.draw_labels(painter)
        painter.restore()
        self.header.draw_values(painter)
        self._cursors.draw(painter, self.plot_rect())

    def _named(self) -> None:
        canvas = self.canvas
        canvas.chosen = min(canvas.chosen, max(0, len(self.traces) - 1))
        names = ", ".join(t.signal for t in self.traces) or tr("empty")
        unit = unit_text(canvas.look.units.unit(canvas.unit))
        self.setAccessibleName(tr("Strip: {names}, {unit}", names=names, unit=unit))
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
