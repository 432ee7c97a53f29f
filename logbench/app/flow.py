"""A row of controls that goes on in a second line where the window is too narrow."""

from __future__ import annotations

from PySide6.QtCore import QMargins, QPoint, QRect, QSize, Qt
from PySide6.QtWidgets import QLayout, QLayoutItem, QWidget


class Flow(QLayout):
    """Controls at their own widths, in lines from the left."""

    def __init__(self, parent: QWidget | None = None, spacing: int = 6) -> None:
        super().__init__(parent)
        self._held: list[QLayoutItem] = []
        self.setSpacing(spacing)

    # --- Qt's side ---

    def addItem(self, item: QLayoutItem) -> None:
        """One more at the end."""
        self._held.append(item)

    def count(self) -> int:
        """How many there are."""
        return len(self._held)

    def itemAt(self, index: int) -> QLayoutItem | None:
        """One by its place; None beyond the last, as Qt wants it."""
        return self._held[index] if 0 <= index < len(self._held) else None

    def takeAt(self, index: int) -> QLayoutItem | None:
        """Take one out; None beyond the last, as Qt wants it."""
        return self._held.pop(index) if 0 <= index < len(self._held) else None

    def expandingDirections(self) -> Qt.Orientation:
        """It takes no more room than it needs."""
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        """The narrower, the higher."""
        return True

    def heightForWidth(self, width: int) -> int:
        """Height of all lines."""
        return self._place(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        """Put every control at its place."""
        super().setGeometry(rect)
        self._place(rect, move=True)

    def sizeHint(self) -> QSize:
        """All in one line."""
        sizes = [item.sizeHint() for item in self._seen()]
        wide = sum(s.width() for s in sizes) + self.spacing() * max(0, len(sizes) - 1)
        return self._with_margins(wide, max((s.height() for s in sizes), default=0))

    def minimumSize(self) -> QSize:
        """The widest control alone."""
        sizes = [item.minimumSize() for item in self._seen()]
        wide = max((s.width() for s in sizes), default=0)
        return self._with_margins(wide, max((s.height() for s in sizes), default=0))

    # --- small things ---

    def _seen(self) -> list[QLayoutItem]:
        return [item for item in self._held if not item.isEmpty()]

    def _margins(self) -> QMargins:
        return self.contentsMargins()

    def _with_margins(self, width: int, height: int) -> QSize:
        m = self._margins()
        return QSize(width + m.left() + m.right(), height + m.top() + m.bottom())

    def _lines(self, width: int) -> list[list[QLayoutItem]]:
        lines: list[list[QLayoutItem]] = [[]]
        x = 0
        for item in self._seen():
            wide = item.sizeHint().width()
            if lines[-1] and x + wide > width:
                lines.append([])
                x = 0
            lines[-1].append(item)
            x += wide + self.spacing()
        return lines

    def _place(self, rect: QRect, *, move: bool) -> int:
        """Go through the lines, moving controls or not; the height needed."""
        inner = rect.marginsRemoved(self._margins())
        y = inner.top()
        for line in self._lines(inner.width()):
            tall = max((item.sizeHint().height() for item in line), default=0)
            x = inner.left()
            for item in line if move else ():
                size = item.sizeHint()
                item.setGeometry(QRect(QPoint(x, y + (tall - size.height()) // 2), size))
                x += size.width() + self.spacing()
            y += tall + self.spacing()
        return y - self.spacing() - rect.top() + self._margins().bottom()
