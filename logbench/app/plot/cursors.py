"""The lines of the cursors over a strip."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRect
from PySide6.QtGui import QColor, QFontMetrics, QPainter, QPen
from PySide6.QtWidgets import QWidget

from logbench.app.plot.canvas import GUTTER, HEADER, Canvas

_LABEL_PX = 20
"""A cursor's letter stands within so much of its line."""


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
        wide = QFontMetrics(self._strip.font()).horizontalAdvance("A")
        for place, (x, name) in enumerate(marks):
            painter.setPen(QPen(QColor(theme.accent), 1))
            painter.drawLine(x, HEADER, x, rect.bottom())
            left = x - 4 - wide  # of the line, for the first of two
            first = place < len(marks) - 1 and left >= GUTTER
            painter.drawText(QPointF(left if first else x + 4, HEADER + 14), name)
        if view.cursor_ns is not None:
            x = GUTTER + int(view.x_of(view.cursor_ns))
            painter.setPen(QPen(QColor(theme.cursor), 1))
            painter.drawLine(x, HEADER, x, rect.bottom())
