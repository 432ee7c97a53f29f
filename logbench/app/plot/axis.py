"""The one time axis under a stack of strips."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPointF, QSize
from PySide6.QtGui import QColor, QFontMetrics, QPainter, QPaintEvent, QStaticText
from PySide6.QtWidgets import QSizePolicy, QWidget

from logbench.app.plot.strip import GUTTER
from logbench.app.plot.view import TimeView
from logbench.app.theme import Theme
from logbench.plot.trace import SECOND
from logbench.signals.numbers import time_text, time_ticks
from logbench.words import tr

HEIGHT = 30


class TimeAxis(QWidget):
    """Times since the recording's start, with the cursor's own time where it stands."""

    def __init__(self, view: TimeView, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._view = view
        self._theme = theme
        self.text_of: Callable[[float, float], str] = time_text
        """How a place on the axis (s) is written, given the step between two (s)."""
        self._texts: dict[str, QStaticText] = {}
        self.setFixedHeight(HEIGHT)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(tr("Time axis"))
        view.changed.connect(self.update)
        view.cursor_moved.connect(self.update)

    def sizeHint(self) -> QSize:
        """One line of text."""
        return QSize(400, HEIGHT)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self._theme = theme
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ticks, their times, and the cursor's."""
        view, painter = self._view, QPainter(self)
        painter.fillRect(event.rect(), QColor(self._theme.window))
        painter.setPen(QColor(self._theme.muted))
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
            painter.fillRect(x - half, 3, 2 * half, HEIGHT - 5, QColor(self._theme.accent))
            painter.setPen(QColor(self._theme.on_accent))
            self._write(painter, metrics, text, x)
        painter.end()

    def _write(self, painter: QPainter, metrics: QFontMetrics, text: str, x: int) -> None:
        kept = self._texts.get(text)
        if kept is None:
            if len(self._texts) > 500:
                self._texts.clear()
            kept = self._texts[text] = QStaticText(text)
        width = metrics.horizontalAdvance(text)
        left = min(max(x - width // 2, 0), self.width() - width - 2)
        painter.drawStaticText(QPointF(left, 6), kept)
