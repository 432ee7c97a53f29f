"""Draws pairs as points or cells, with pyqtgraph. Imported when the plot is first shown."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from PySide6.QtCore import QPoint, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetrics, QImage, QPainter

from logbench.app.plot.graph import Graph
from logbench.app.theme import Theme
from logbench.plot.cross import Cells, Floats, Pairs
from logbench.signals.numbers import round_range, value_text
from logbench.words import tr

_POINT_PX = 3
_FIRST_FRAME = 0.2
"""Of the plot's width and height: the frame that the keyboard begins with, in the middle."""
_LEAST_FRAME = 0.01
_NOTHING = tr("These signals have no values at the same time in what is shown.")


class _Box(pg.ViewBox):  # type: ignore[misc]  # pyqtgraph has no types
    """The wheel zooms, the middle button pans; the left button marks, a double click shows all."""

    marked = Signal(object)
    """What was marked, as a QRectF in values; an empty one for a click."""

    def mouseDragEvent(self, event: Any, axis: int | None = None) -> None:
        """Mark with the left button; the others as pyqtgraph has them."""
        if axis is not None or event.button() != Qt.MouseButton.LeftButton:
            super().mouseDragEvent(event, axis)
            return
        event.accept()
        start, end = event.buttonDownPos(), event.pos()
        self.updateScaleBox(start, end)
        if event.isFinish():  # what was marked stays framed
            rect = QRectF(start, end).normalized()
            self.marked.emit(self.childGroup.mapRectFromParent(rect))

    def mouseClickEvent(self, event: Any) -> None:
        """Mark nothing; twice: show all."""
        if event.button() == Qt.MouseButton.LeftButton:
            event.accept()
            self.rbScaleBox.hide()
            self.marked.emit(QRectF())
            if event.double():
                self.autoRange()


class _Points(pg.GraphicsObject):  # type: ignore[misc]  # pyqtgraph has no types
    """Squares of one color each, drawn as one picture: with 72,000 it is shown in 45 ms, where a
    `ScatterPlotItem` with a brush for each takes 700."""

    def __init__(self, x: Floats, y: Floats, colors: npt.NDArray[np.uint32]) -> None:
        super().__init__()
        self._x, self._y, self._colors = x, y, colors

    def boundingRect(self) -> QRectF:
        """In values."""
        low = QPointF(float(self._x.min()), float(self._y.min()))
        return QRectF(low, QPointF(float(self._x.max()), float(self._y.max())))

    def paint(self, painter: QPainter, *_: object) -> None:
        """Later points on top."""
        to_px = painter.transform()
        area = to_px.mapRect(self.getViewBox().mapRectToItem(self, self.getViewBox().rect()))
        area = area.toAlignedRect()
        column = np.floor(self._x * to_px.m11() + to_px.dx()).astype(np.int64) - area.left()
        row = np.floor(self._y * to_px.m22() + to_px.dy()).astype(np.int64) - area.top()
        width, height = area.width() + _POINT_PX, area.height() + _POINT_PX
        seen = (column >= 0) & (column < area.width()) & (row >= 0) & (row < area.height())
        pixels = np.zeros((height, width), np.uint32)
        for down in range(_POINT_PX):
            for along in range(_POINT_PX):
                pixels[row[seen] + down, column[seen] + along] = self._colors[seen]
        image = QImage(pixels.data, width, height, 4 * width, QImage.Format.Format_ARGB32)
        painter.save()
        painter.resetTransform()
        painter.drawImage(area.topLeft() - QPoint(_POINT_PX // 2, _POINT_PX // 2), image)
        painter.restore()


class CrossPlot(Graph):
    """Points or cells over two axes. Marking points with the mouse sends `marked`."""

    marked = Signal(object)
    """Which of the pairs lie in what was marked: bool, shape (n,)."""

    def __init__(self, theme: Theme) -> None:
        box = _Box(enableMenu=False)
        super().__init__(theme, box)
        self._pairs: Pairs | None = None
        self._texts: list[tuple[Any, float, float]] = []
        self._frame = QRectF()
        """In values; empty where nothing is marked."""
        box.marked.connect(self._marked)
        box.sigRangeChanged.connect(self._fit_texts)
        box.sigResized.connect(self._fit_texts)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(QSize(300, 200))

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colors; points and cells are to be shown again."""
        super().set_theme(theme)
        inside = QColor(theme.accent)
        inside.setAlpha(28)
        self.getViewBox().rbScaleBox.setPen(pg.mkPen(theme.accent))
        self.getViewBox().rbScaleBox.setBrush(inside)

    def show_points(
        self, pairs: Pairs, colors: npt.NDArray[np.uint32], titles: tuple[str, str]
    ) -> None:
        """Points, later ones on top; `colors` is 0xAARRGGBB, shape (n,)."""
        self._begin(titles)
        self._pairs = pairs
        name = tr(
            "Scatter of {up} against {along}: {n} points",
            up=titles[1],
            along=titles[0],
            n=len(pairs.x),
        )
        self.setAccessibleName(name)
        if not len(pairs.x):
            self._say(_NOTHING)
            return
        self.addItem(_Points(pairs.x, pairs.y, colors))
        self.getViewBox().setRange(
            xRange=round_range(float(pairs.x.min()), float(pairs.x.max())),
            yRange=round_range(float(pairs.y.min()), float(pairs.y.max())),
            padding=0.02,
        )

    def show_cells(self, cells: Cells, shown: Floats, titles: tuple[str, str], unit: str) -> None:
        """Cells with the number `shown`, shape (k, m); NaN is left empty."""
        self._begin(titles)
        filled = np.isfinite(shown)
        self.setAccessibleName(
            tr(
                "Grid of {up} by {along}: {n} cells filled",
                up=titles[1],
                along=titles[0],
                n=int(filled.sum()),
            )
        )
        known = shown[filled]
        if not len(known):
            self._say(_NOTHING)
            return
        low, high = float(known.min()), float(known.max())
        share = (shown - low) / (high - low) if high > low else np.where(filled, 0.5, np.nan)
        accent = QColor(self.theme.accent)
        pixels = np.zeros((*shown.shape, 4), np.uint8)
        pixels[..., :3] = accent.red(), accent.green(), accent.blue()
        pixels[..., 3] = np.where(filled, 255 * (0.12 + 0.68 * np.nan_to_num(share)), 0)
        area = QRectF(
            cells.x_edges[0], cells.y_edges[0],
            cells.x_edges[-1] - cells.x_edges[0], cells.y_edges[-1] - cells.y_edges[0],
        )  # fmt: skip
        image = pg.ImageItem(pixels, axisOrder="row-major")
        image.setRect(area)
        self.addItem(image)
        for row, column in np.argwhere(filled):
            text = value_text(float(shown[row, column]), unit)
            ink = self.theme.on_accent if share[row, column] > 0.55 else self.theme.text
            label = pg.TextItem(text, color=ink, anchor=(0.5, 0.5))
            label.setPos(
                (cells.x_edges[column] + cells.x_edges[column + 1]) / 2,
                (cells.y_edges[row] + cells.y_edges[row + 1]) / 2,
            )
            self.addItem(label, ignoreBounds=True)
            width = cells.x_edges[column + 1] - cells.x_edges[column]
            self._texts.append((label, width, cells.y_edges[row + 1] - cells.y_edges[row]))
        self.getViewBox().setRange(area, padding=0.02)
        self._fit_texts()

    # --- small things ---

    def _begin(self, titles: tuple[str, str]) -> None:
        self.clear()
        self.getViewBox().rbScaleBox.hide()
        self._texts, self._pairs = [], None
        self._frame = QRectF()
        self.set_titles(*titles)

    def _say(self, sentence: str) -> None:
        label = pg.TextItem(sentence, color=self.theme.muted, anchor=(0.5, 0.5))
        label.setPos(0.5, 0.5)
        self.addItem(label)
        self.getViewBox().setRange(QRectF(0, 0, 1, 1))

    def _fit_texts(self, *_: object) -> None:
        """Write a number only where its cell has room for it."""
        if not self._texts:
            return
        x_per_px, y_per_px = self.getViewBox().viewPixelSize()
        metrics = QFontMetrics(self.font())
        for label, width, height in self._texts:
            needed = metrics.horizontalAdvance(label.toPlainText()) + 4
            room = width > needed * x_per_px and height > metrics.height() * y_per_px
            label.setVisible(bool(room))

    def change_frame(self, right: float, up: float, wider: float, taller: float) -> None:
        """Move or widen the frame of the marked points by shares of what is shown; where there is
        none, one begins in the middle. Of points only."""
        if self._pairs is None or not len(self._pairs.x):
            return
        box = self.getViewBox()
        shown = box.viewRect()
        frame = QRectF(self._frame)
        if frame.isEmpty():
            size = shown.size() * _FIRST_FRAME
            frame.setSize(size)
            frame.moveCenter(shown.center())
        else:
            middle = frame.center() + QPointF(right * shown.width(), up * shown.height())
            frame.setWidth(_within(frame.width() + wider * shown.width(), shown.width()))
            frame.setHeight(_within(frame.height() + taller * shown.height(), shown.height()))
            frame.moveCenter(
                QPointF(
                    min(max(middle.x(), shown.left()), shown.right()),
                    min(max(middle.y(), shown.top()), shown.bottom()),
                )
            )
        box.updateScaleBox(box.mapFromView(frame.topLeft()), box.mapFromView(frame.bottomRight()))
        self._marked(frame)

    def zoom_to_frame(self) -> None:
        """Show what is marked as large as there is room."""
        if not self._frame.isEmpty():
            frame = QRectF(self._frame)
            self.clear_frame()
            self.getViewBox().setRange(frame, padding=0)

    def clear_frame(self) -> None:
        """Nothing is marked any more."""
        self.getViewBox().rbScaleBox.hide()
        self._marked(QRectF())

    def _marked(self, rect: QRectF) -> None:
        self._frame = rect
        if self._pairs is None:
            return
        x, y = self._pairs.x, self._pairs.y
        inside = (x >= rect.left()) & (x <= rect.right())
        inside &= (y >= rect.top()) & (y <= rect.bottom())
        self.marked.emit(inside if rect.width() > 0 else np.zeros(len(x), bool))


def _within(size: float, whole: float) -> float:
    return min(max(size, _LEAST_FRAME * whole), whole)
