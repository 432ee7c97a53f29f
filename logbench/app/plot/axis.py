"""The axes: values left of each strip, times under all of them."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRect, QSize, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontInfo,
    QFontMetrics,
    QPainter,
    QPaintEvent,
    QPixmap,
    QStaticText,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.app.plot.canvas import GUTTER, HEADER, Canvas
from logbench.app.plot.painting import kept_picture
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.plot.trace import SECOND
from logbench.signals.numbers import time_text, time_ticks
from logbench.signals.units import unit_text
from logbench.words import tr

HEIGHT = 30
_SMALLEST = 0.7
"""Of the usual size of letters: words at an axis."""


class ValueAxis:
    """Unit and round values of the chosen trace's range, kept as pixels, left of `strip`'s plot."""

    def __init__(self, strip: QWidget, canvas: Canvas) -> None:
        self._strip = strip
        self._canvas = canvas
        self.pixmap = QPixmap()

    def renew(self) -> None:
        """Draw it again."""
        strip, ground = self._strip, self._canvas.look.theme.window
        self.pixmap = kept_picture(strip, GUTTER, strip.height(), ground, self.draw)

    def draw(self, painter: QPainter) -> None:
        """Draw it on any device, at the strip's origin."""
        strip, canvas, theme = self._strip, self._canvas, self._canvas.look.theme
        painter.setFont(strip.font())
        painter.setPen(canvas.colors()[canvas.chosen] if canvas.mixed else QColor(theme.muted))
        align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        unit = unit_text(canvas.look.units.unit(canvas.unit))
        painter.drawText(QRect(0, 0, GUTTER - 8, HEADER), align, unit)
        painter.setFont(self._font())
        for box, text in self.labels():
            painter.drawText(box, align, text)
        painter.setPen(QColor(theme.line))
        painter.drawLine(GUTTER - 1, HEADER, GUTTER - 1, HEADER + canvas.height)

    def labels(self) -> list[tuple[QRect, str]]:
        """Texts and where they are written, from below: the outer two, and between them those that
        have room."""
        strip, metrics = self._strip, QFontMetrics(self._font())
        tall, wide = metrics.height(), GUTTER - 8
        found: list[tuple[QRect, str]] = []
        for y, text in self._canvas.labels():
            top = int(min(max(HEADER + y - tall / 2, HEADER), strip.height() - tall))
            shown = metrics.elidedText(text, Qt.TextElideMode.ElideRight, wide)
            found.append((QRect(0, top, wide, tall), shown))
        least = round(1.15 * tall)
        kept, last = found[:1], found[-1:]
        for box, text in found[1:-1]:
            if kept[-1][0].top() - box.top() >= least <= box.top() - last[0][0].top():
                kept.append((box, text))
        return kept + last if len(found) > 1 else kept

    def _font(self) -> QFont:
        """The strip's; smaller where words have no room."""
        font = QFont(self._strip.font())
        metrics = QFontMetrics(font)
        widest = max([metrics.horizontalAdvance(text) for _, text in self._canvas.labels()] or [1])
        share = max(_SMALLEST, min(1.0, (GUTTER - 8) / widest))
        if share < 1.0:
            font.setPixelSize(int(QFontInfo(font).pixelSize() * share))
        return font


class TimeAxis(QWidget):
    """Times since the recording's start, with the cursor's own time where it stands."""

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self._view, self._look = view, look
        self.text_of: Callable[[float, float], str] = time_text
        """How a place on the axis (s) is written, given the step between two (s)."""
        self._texts: dict[str, QStaticText] = {}
        self.setFixedHeight(HEIGHT)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(tr("Time axis"))
        for signal in (view.changed, view.cursor_moved, look.changed):
            signal.connect(self.update)

    def sizeHint(self) -> QSize:
        """One line of text."""
        return QSize(400, HEIGHT)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ticks, their times, and the cursor's."""
        view, theme, painter = self._view, self._look.theme, QPainter(self)
        painter.fillRect(event.rect(), QColor(theme.window))
        painter.setPen(QColor(theme.muted))
        start, end = view.t_of(0) / SECOND, view.t_of(view.pixels) / SECOND
        times, step = time_ticks(start, end, max(2, view.pixels // 110))
        metrics = QFontMetrics(self.font())
        for t in times:
            x = GUTTER + int(view.x_of(t * SECOND))
            painter.drawLine(x, 0, x, 4)
            self._write(painter, metrics, self.text_of(t, step), x)
        if view.cursor_ns is not None and view.start_ns <= view.cursor_ns <= view.end_ns:
            text = self.text_of(view.cursor_ns / SECOND, min(step / 10, 0.1))
            x = GUTTER + int(view.x_of(view.cursor_ns))
            half = metrics.horizontalAdvance(text) // 2 + 6
            x = min(max(x, half), self.width() - half)
            painter.fillRect(x - half, 3, 2 * half, HEIGHT - 5, QColor(theme.accent))
            painter.setPen(QColor(theme.on_accent))
            self._write(painter, metrics, text, x)
        painter.end()

    def _write(self, painter: QPainter, metrics: QFontMetrics, text: str, x: int) -> None:
        kept = self._texts.get(text)
        if kept is None:
            if len(self._texts) > 500:
                self._texts.clear()
            kept = self._texts[text] = QStaticText(text)
            kept.setTextFormat(Qt.TextFormat.PlainText)
        width = metrics.horizontalAdvance(text)
        left = min(max(x - width // 2, 0), self.width() - width - 2)
        painter.drawStaticText(QPointF(left, 6), kept)
