"""The handles between strips: dragged with the mouse, they give strips other heights."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QSplitter, QSplitterHandle, QWidget

HANDLE_PX = 8
_GRIP_PX = (36, 2)


def dragged(heights: Sequence[int], above: int, by: int, room: int, least: int) -> list[int]:
    """Heights of strips, pixels, once the handle under the strip `above` was moved down by `by`.

    The strips below give room, the nearest first, each down to `least`; what they cannot give makes
    the stack higher than `room`. A stack that is higher already scrolls: there the strips below
    keep their heights.
    """
    fresh = list(heights)
    fresh[above] = max(least, heights[above] + by)
    if sum(heights) <= room:
        wanted = fresh[above] - heights[above]
        for place in range(above + 1, len(fresh)):
            kept = max(least, fresh[place] - wanted)
            wanted -= fresh[place] - kept
            fresh[place] = kept
            if wanted <= 0:
                break
    if above + 1 < len(fresh):
        fresh[above + 1] += max(0, room - sum(fresh))
    return fresh


class StripSplitter(QSplitter):
    """Strips above each other. The splitter's own way of dragging does nothing where all strips
    are as low as they can be; `handle_moved` lets the stack grow instead."""

    handle_moved = Signal(object, int, int)
    """Heights when the handle was pressed, the place of the strip above it, pixels down since."""
    handle_left = Signal()
    """The mouse let a handle go that it had moved."""
    handle_clicked_twice = Signal()
    hovered = Signal(float)
    """The mouse is over a handle, this many pixels from the left."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(Qt.Orientation.Vertical, parent)
        self.grip = QColor()
        self.setChildrenCollapsible(False)
        self.setHandleWidth(HANDLE_PX)

    def createHandle(self) -> QSplitterHandle:
        """Our own handles."""
        return _Handle(self)


class _Handle(QSplitterHandle):
    def __init__(self, splitter: StripSplitter) -> None:
        super().__init__(Qt.Orientation.Vertical, splitter)
        self._strips = splitter
        self._from_y = 0
        self._heights: list[int] = []
        self._moved = False
        self.setMouseTracking(True)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton:
            self._from_y, self._moved = round(event.globalPosition().y()), False
            self._heights = self._strips.sizes()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if not event.buttons():
            self._strips.hovered.emit(event.position().x())
            return
        above = self._strips.indexOf(self) - 1
        if len(self._heights) == self._strips.count() and above >= 0:
            self._moved = True
            by = round(event.globalPosition().y()) - self._from_y
            self._strips.handle_moved.emit(self._heights, above, by)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._heights = []
        if self._moved:
            self._moved = False
            self._strips.handle_left.emit()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self._heights = []
        self._strips.handle_clicked_twice.emit()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The ground as the style has it, and a short grip."""
        super().paintEvent(event)
        painter = QPainter(self)
        width, height = _GRIP_PX
        grip = QRectF((self.width() - width) / 2, (self.height() - height) / 2, width, height)
        painter.fillRect(grip, self._strips.grip)
        painter.end()
