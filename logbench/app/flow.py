"""A row of controls that goes on in a second line where the window is too narrow."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QMargins, QSize
from PySide6.QtGui import QResizeEvent, QShowEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

_SPACING_PX = 6


class Flow(QWidget):
    """Controls at their own widths, in lines from the left, in the order they came."""

    def __init__(self, margins: QMargins) -> None:
        super().__init__()
        self._held: list[QWidget] = []
        self._margins = margins
        self.resize(0, 0)  # until it is seen: its height is what it asks for
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def add(self, *widgets: QWidget) -> None:
        """More at the end."""
        for widget in widgets:
            widget.setParent(self)
            self._held.append(widget)
            widget.show()

    def sizeHint(self) -> QSize:
        """All in one line; as high as they stand now."""
        sizes = [w.sizeHint().width() for w in self._seen()]
        wide = sum(sizes) + _SPACING_PX * max(0, len(sizes) - 1)
        return QSize(wide + self._margins.left() + self._margins.right(), self.height())

    def minimumSizeHint(self) -> QSize:
        """The widest control alone."""
        wide = max((w.sizeHint().width() for w in self._seen()), default=0)
        return QSize(wide + self._margins.left() + self._margins.right(), self.height())

    def event(self, event: QEvent) -> bool:
        """A control has come, gone, or wants another size."""
        if event.type() in (QEvent.Type.LayoutRequest, QEvent.Type.FontChange):
            self._place()
        return super().event(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another width: other lines."""
        super().resizeEvent(event)
        self._place()

    def showEvent(self, event: QShowEvent) -> None:
        """Sizes are known from now on."""
        super().showEvent(event)
        self._place()

    def _seen(self) -> list[QWidget]:
        return [widget for widget in self._held if not widget.isHidden()]

    def _lines(self) -> list[list[QWidget]]:
        room = self.width() - self._margins.left() - self._margins.right()
        lines: list[list[QWidget]] = [[]]
        x = 0
        for widget in self._seen():
            wide = widget.sizeHint().width()
            if lines[-1] and x + wide > room:
                lines.append([])
                x = 0
            lines[-1].append(widget)
            x += wide + _SPACING_PX
        return lines

    def _place(self) -> None:
        y = self._margins.top()
        for line in self._lines():
            sizes = [widget.sizeHint() for widget in line]
            tall = max((size.height() for size in sizes), default=0)
            x = self._margins.left()
            for widget, size in zip(line, sizes, strict=True):
                top = y + (tall - size.height()) // 2
                widget.setGeometry(x, top, size.width(), size.height())
                x += size.width() + _SPACING_PX
            y += tall + _SPACING_PX
        needed = y - _SPACING_PX + self._margins.bottom()
        if needed != self.height() or self.minimumHeight() != needed:
            self.setFixedHeight(needed)
