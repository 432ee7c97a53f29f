"""Draws pairs as points or cells."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPoint, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QImage, QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QRubberBand, QSizePolicy, QWidget

from logbench.app.plot.ticks import round_range, tick_text, unit_text, value_text, value_ticks
from logbench.app.review.cross import Cells, Floats, Pairs
from logbench.app.theme import Theme

_LEFT, _BOTTOM, _TOP, _RIGHT = 76, 50, 14, 34
_CLICK_PX = 4


class CrossPlot(QWidget):
    """Points or cells over two axes. Marking points with the mouse sends `marked`."""

    marked = Signal(object)
    """Which of the pairs lie in what was marked: bool, shape (n,)."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme = theme
        self._pairs: Pairs | None = None
        self._colors: np.ndarray | None = None
        self._cells: Cells | None = None
        self._shown: Floats | None = None
        self._titles = ("", "")
        self._x, self._y = (0.0, 1.0), (0.0, 1.0)
        self._drag: QPoint | None = None
        self._band: QRubberBand | None = None
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(QSize(300, 200))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def show_points(self, pairs: Pairs, colors: np.ndarray, titles: tuple[str, str]) -> None:
        """Points; `colors` is uint32 0xAARRGGBB, shape (n,)."""
        self._pairs, self._colors, self._cells, self._titles = pairs, colors, None, titles
        self._x = _range(pairs.x)
        self._y = _range(pairs.y)
        self.setAccessibleName(f"Scatter of {titles[1]} against {titles[0]}: {len(pairs.x)} points")
        self.update()

    def show_cells(self, cells: Cells, shown: Floats, titles: tuple[str, str], unit: str) -> None:
        """Cells with the number `shown`, shape (k, m); NaN is left empty."""
        self._cells, self._shown, self._titles, self._unit = cells, shown, titles, unit
        self._pairs = None
        self._x = (float(cells.x_edges[0]), float(cells.x_edges[-1]))
        self._y = (float(cells.y_edges[0]), float(cells.y_edges[-1]))
        filled = int(np.isfinite(shown).sum())
        self.setAccessibleName(f"Grid of {titles[1]} by {titles[0]}: {filled} cells filled")
        self.update()

    # --- geometry ---

    def area(self) -> QRect:
        """Where points lie, in widget pixels."""
        return self.rect().adjusted(_LEFT, _TOP, -_RIGHT, -_BOTTOM)

    def place(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Widget pixels of values."""
        area = self.area()
        px = area.left() + (x - self._x[0]) / (self._x[1] - self._x[0]) * area.width()
        py = area.bottom() - (y - self._y[0]) / (self._y[1] - self._y[0]) * area.height()
        return px, py

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ground, axes, points or cells."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.theme.window))
        painter.fillRect(self.area(), QColor(self.theme.plot))
        self._draw_axes(painter)
        if self._cells is not None:
            self._draw_cells(painter)
        elif self._pairs is not None and len(self._pairs.x):
            painter.drawImage(self.area().topLeft(), self._points())
        else:
            painter.setPen(QColor(self.theme.muted))
            said = "These signals have no values at the same time in what is shown."
            painter.drawText(self.area(), Qt.AlignmentFlag.AlignCenter, said)
        painter.end()

    def _draw_axes(self, painter: QPainter) -> None:
        area, centre = self.area(), Qt.AlignmentFlag.AlignCenter
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        ticks = value_ticks(*self._x, max(2, area.width() // 90))
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        for value in ticks:
            x = round(float(self.place(np.array([value]), np.zeros(1))[0][0]))
            painter.setPen(QColor(self.theme.grid))
            painter.drawLine(x, area.top(), x, area.bottom())
            painter.setPen(QColor(self.theme.muted))
            box = QRect(x - 45, area.bottom() + 2, 90, 20)
            painter.drawText(box, centre, tick_text(value, step))
        ticks = value_ticks(*self._y, max(2, area.height() // 45))
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        for value in ticks:
            y = round(float(self.place(np.zeros(1), np.array([value]))[1][0]))
            painter.setPen(QColor(self.theme.grid))
            painter.drawLine(area.left(), y, area.right(), y)
            painter.setPen(QColor(self.theme.muted))
            painter.drawText(QRect(18, y - 10, _LEFT - 24, 20), right, tick_text(value, step))
        painter.setPen(QColor(self.theme.text))
        painter.drawText(QRect(area.left(), self.height() - 26, area.width(), 24), centre,
                         self._titles[0])  # fmt: skip
        painter.save()
        painter.translate(14, area.center().y())
        painter.rotate(-90)
        painter.drawText(QRect(-area.height() // 2, -12, area.height(), 20), centre,
                         self._titles[1])  # fmt: skip
        painter.restore()

    def _points(self) -> QImage:
        """Three by three pixels a point, later ones on top; made as one picture."""
        assert self._pairs is not None
        assert self._colors is not None
        area = self.area()
        pixels = np.zeros((area.height() + 3, area.width() + 3), np.uint32)
        px, py = self.place(self._pairs.x, self._pairs.y)
        column = np.clip((px - area.left()).astype(np.int64), 0, area.width())
        row = np.clip((py - area.top()).astype(np.int64), 0, area.height())
        for down in range(3):
            for along in range(3):
                pixels[row + down, column + along] = self._colors
        height, width = pixels.shape
        image = QImage(pixels.data, width, height, 4 * width, QImage.Format.Format_ARGB32)
        return image.copy(1, 1, width - 2, height - 2)

    def _draw_cells(self, painter: QPainter) -> None:
        assert self._cells is not None
        assert self._shown is not None
        cells, shown = self._cells, self._shown
        known = shown[np.isfinite(shown)]
        low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
        px, _ = self.place(cells.x_edges, np.zeros(len(cells.x_edges)))
        _, py = self.place(np.zeros(len(cells.y_edges)), cells.y_edges)
        for row, column in np.argwhere(np.isfinite(shown)):
            value = float(shown[row, column])
            share = (value - low) / (high - low) if high > low else 0.5
            box = QRect(
                round(px[column]) + 1, round(py[row + 1]) + 1,
                round(px[column + 1] - px[column]) - 1, round(py[row] - py[row + 1]) - 1,
            )  # fmt: skip
            color = QColor(self.theme.accent)
            color.setAlphaF(0.12 + 0.68 * share)
            painter.fillRect(box, color)
            painter.setPen(QColor(self.theme.on_accent if share > 0.55 else self.theme.text))
            text = value_text(value, self._unit)
            if painter.fontMetrics().horizontalAdvance(text) < box.width() and box.height() > 13:
                painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    # --- marking ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Begin to mark points."""
        if self._pairs is not None:
            self._drag = event.position().toPoint()
            self._band = QRubberBand(QRubberBand.Shape.Rectangle, self)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Go on marking."""
        if self._drag is not None and self._band is not None:
            self._band.setGeometry(QRect(self._drag, event.position().toPoint()).normalized())
            self._band.show()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Tell which points lie in the box; a click marks none."""
        if self._drag is None or self._pairs is None:
            return
        box = QRect(self._drag, event.position().toPoint()).normalized()
        self._drag = None
        if self._band is not None:
            self._band.hide()
            self._band.deleteLater()
            self._band = None
        px, py = self.place(self._pairs.x, self._pairs.y)
        inside = (px >= box.left()) & (px <= box.right()) & (py >= box.top()) & (py <= box.bottom())
        self.marked.emit(inside if box.width() > _CLICK_PX else np.zeros(len(px), bool))


def title_of(name: str, unit: str) -> str:
    """An axis title."""
    return f"{name} ({unit_text(unit)})" if unit else name


def _range(values: Floats) -> tuple[float, float]:
    return round_range(float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
