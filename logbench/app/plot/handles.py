"""The handles between strips: dragged with the mouse, they give strips other heights."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QSplitter, QSplitterHandle

HANDLE_PX = 8
LEAST_HEIGHT = 70
"""Of a strip, pixels: lower ones cannot be read."""
_MOST_SCREENS = 4
"""So many times the room there is, the stack can be high."""
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
    """Strips above each other, which scroll with their parent. The splitter's own way of dragging
    does nothing where all strips are as low as they can be; here the stack grows instead."""

    resized = Signal()
    """The user gave strips other heights."""
    hovered = Signal(float)
    """The mouse is over a handle, this many pixels from the left."""

    def __init__(self) -> None:
        super().__init__(Qt.Orientation.Vertical, childrenCollapsible=False)
        self.setHandleWidth(HANDLE_PX)

    def createHandle(self) -> QSplitterHandle:
        """Our own handles."""
        return _Handle(self)

    def share_out(self, heights: Sequence[int], strips_px: int | None = None) -> None:
        """Share the room among the strips like these numbers (> 0). The stack grows where they
        need more pixels than it has: by default so that none is too low to be read."""
        if strips_px is None:
            strips_px = round(LEAST_HEIGHT * sum(heights) / min(heights))
        room = self._room_px
        needed = min(strips_px + self._handles_px, _MOST_SCREENS * room)
        self.setMinimumHeight(needed if needed > room else 0)
        self.resize(self.width(), max(needed, room))
        self.setSizes(list(heights))

    def level(self) -> None:
        """Make all strips equally high."""
        if self.count():
            self.share_out([1] * self.count())
            self.resized.emit()

    def drag(self, heights: Sequence[int], above: int, by: int) -> None:
        """Strips had these heights; the handle under one of them was moved down by `by` pixels."""
        fresh = dragged(heights, above, by, self._room_px - self._handles_px, LEAST_HEIGHT)
        self.share_out(fresh, sum(fresh))

    @property
    def _room_px(self) -> int:
        above = self.parentWidget()
        return self.height() if above is None else above.height()

    @property
    def _handles_px(self) -> int:
        return self.handleWidth() * (self.count() - 1)


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
            self._strips.drag(self._heights, above, by)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._heights = []
        if self._moved:
            self._moved = False
            self._strips.resized.emit()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self._heights = []
        self._strips.level()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The ground as the style has it, and a short grip."""
        super().paintEvent(event)
        painter = QPainter(self)
        width, height = _GRIP_PX
        grip = QRectF((self.width() - width) / 2, (self.height() - height) / 2, width, height)
        painter.fillRect(grip, self.palette().mid())
        painter.end()
