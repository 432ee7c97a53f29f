"""What scrolls where there is too little room for it."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, QSize, Qt
from PySide6.QtGui import QResizeEvent, QWheelEvent
from PySide6.QtWidgets import (
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QFrame,
    QScrollArea,
    QWidget,
)

_NOTCH = 120
"""What Qt tells of a wheel that was turned by one notch."""
_LINE_PX = 20


class UpAndDown(QScrollArea):
    """Scrolls up and down only: it is never narrower than what it holds. The wheel scrolls; it
    changes no choice that it happens to pass."""

    def __init__(self, held: QWidget) -> None:
        super().__init__()
        self._held = held
        self.setWidget(held)
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        held.installEventFilter(self)
        for kind in (QComboBox, QAbstractSpinBox):
            for choice in held.findChildren(kind):
                choice.installEventFilter(self)

    def minimumSizeHint(self) -> QSize:
        """As wide as the least that is held, with the scroll bar beside it."""
        wide = self._held.minimumSizeHint().width() + self.verticalScrollBar().sizeHint().width()
        return QSize(wide, 60)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """What is held wants another width, or is seen; a wheel turns over a choice."""
        if isinstance(event, QWheelEvent) and watched is not self._held:
            bar = self.verticalScrollBar()
            notches = event.angleDelta().y() / _NOTCH
            bar.setValue(bar.value() - round(notches * QApplication.wheelScrollLines() * _LINE_PX))
            return True
        if event.type() == QEvent.Type.LayoutRequest:
            self.updateGeometry()
        elif watched is self._held and event.type() == QEvent.Type.Show:
            # WORKAROUND: what is held was resized as it was laid out for the first time; of such a
            # second size before it is seen Qt tells nobody.
            size = self._held.size()
            QApplication.sendEvent(self._held, QResizeEvent(size, size))
        return super().eventFilter(watched, event)
