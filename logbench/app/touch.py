"""What fingers can do in any window: push lists, tables and pages, which run on, and stay on
something for its menu, or for the tip that a mouse sees by hovering.

Everything else a finger does, Qt hands on as a mouse's press. The strips see to themselves
(`app/plot/touch.py`).
"""

from __future__ import annotations

from typing import TypeVar

from PySide6.QtCore import QEvent, QObject, QPointF, QTimer
from PySide6.QtGui import QContextMenuEvent, QHelpEvent, QMouseEvent, QTouchEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QAbstractScrollArea,
    QApplication,
    QGraphicsView,
    QHeaderView,
    QScroller,
    QWidget,
)

AreaT = TypeVar("AreaT", bound=QAbstractScrollArea)
OWN_TOUCH = "sees_to_its_own_touches"
"""A property of widgets whose touches nothing else is to take."""
_HOLD_MS = 700
_SLACK_PX = 12
_AWAY = QPointF(-1000.0, -1000.0)
_NOT_PUSHED = (QGraphicsView, QHeaderView)


def kinetic(area: AreaT) -> AreaT:
    """A list, table or page that a finger pushes, and that runs on."""
    if isinstance(area, QAbstractItemView):
        area.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        area.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
    QScroller.grabGesture(area.viewport(), QScroller.ScrollerGestureType.TouchGesture)
    return area


def take_fingers(window: QWidget) -> None:
    """Let fingers do all this in a window that is shown; again where it holds more by now."""
    press = window.findChild(LongPress) or LongPress(window)
    for area in window.findChildren(QAbstractScrollArea):
        its_own = isinstance(area, _NOT_PUSHED) or area.property(OWN_TOUCH)
        if not its_own and not QScroller.hasScroller(area.viewport()):
            kinetic(area)
            QScroller.scroller(area.viewport()).stateChanged.connect(press.pushed)


class LongPress(QObject):
    """A finger that stays on something opens its menu, or shows its tip where it has none. Lifted
    after that, or after it pushed something, it presses nothing."""

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self._window = window
        self._at = QPointF()
        self._void = False
        """What was pressed by the finger's coming down is let go beside it."""
        self._hold = QTimer(self, singleShot=True, interval=_HOLD_MS)
        self._hold.timeout.connect(self._held)
        handle = window.windowHandle()
        if handle is not None:
            handle.installEventFilter(self)

    def pushed(self, state: QScroller.State) -> None:
        """A list or page is pushed by the finger."""
        if state is QScroller.State.Dragging:
            self._hold.stop()
            self._void = True

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Touches as they come to the window, which all go on, and the presses made of them."""
        if isinstance(event, QTouchEvent):
            self._touched(event)
        elif isinstance(event, QMouseEvent):
            if event.type() == QEvent.Type.MouseButtonPress:
                self._void = False
            elif event.type() == QEvent.Type.MouseButtonRelease and self._void:
                self._void = False
                QApplication.sendEvent(watched, _beside(event))
                return True
        return False

    def _touched(self, event: QTouchEvent) -> None:
        points = event.points()
        if event.type() == QEvent.Type.TouchBegin and len(points) == 1:
            self._at = points[0].position()
            self._hold.start()
            return
        away = (points[0].position() - self._at).manhattanLength() if points else 0.0
        if event.type() != QEvent.Type.TouchUpdate or len(points) > 1 or away > _SLACK_PX:
            self._hold.stop()

    def _held(self) -> None:
        at = self._at.toPoint()
        under = self._window.childAt(at)
        if under is None or under.property(OWN_TOUCH):
            return
        self._void = True
        place, here = self._window.mapToGlobal(at), under.mapFrom(self._window, at)
        asked = QContextMenuEvent(QContextMenuEvent.Reason.Mouse, here, place)
        asked.ignore()
        QApplication.sendEvent(under, asked)
        if not asked.isAccepted():
            QApplication.sendEvent(under, QHelpEvent(QEvent.Type.ToolTip, here, place))


def _beside(event: QMouseEvent) -> QMouseEvent:
    """The same, far away from what it was on."""
    return QMouseEvent(
        event.type(), _AWAY, _AWAY, _AWAY, event.button(), event.buttons(), event.modifiers()
    )
