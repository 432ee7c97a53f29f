"""Mouse on strips, axis and ribbon turned into moves of the shared time axis."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, QPointF, QRect, Qt, Signal
from PySide6.QtGui import QContextMenuEvent, QMouseEvent, QWheelEvent
from PySide6.QtWidgets import QRubberBand, QWidget

from logbench.app.plot.touch import near_mark, put_mark
from logbench.app.plot.view import TimeView

_WHEEL_NOTCH = 120
_ZOOM_NOTCH = 0.8
_CLICK_PX = 4
_GRIP_PX = 6
"""So far from a cursor's line the mouse takes hold of it."""
_TOP = "press_from_px"


class Gestures(QObject):
    """Wheel zooms about the pointer (Shift: pans); left drag pans, or moves cursor A or B by its
    line; right drag, or left drag with Shift, zooms to what was marked; double click shows all;
    moving sets the cursor; a right click opens the menu."""

    by_hand = Signal()
    """The user moved the view."""
    menu_wanted = Signal(object, object)
    """For this widget, at this point of it."""

    def __init__(self, view: TimeView, gutter: int, parent: QObject) -> None:
        super().__init__(parent)
        self._view = view
        self._gutter = gutter
        self._drag_from: float | None = None
        self._box_from: float | None = None
        self._mark: str | None = None
        """The cursor that is dragged."""
        self._pressed_at = 0.0
        self._band: QRubberBand | None = None

    def watch(self, widget: QWidget, top: int = 0) -> None:
        """Take the widget's mouse, presses only from `top` pixels down."""
        widget.setProperty(_TOP, top)
        widget.setMouseTracking(True)
        widget.installEventFilter(self)

    def point_at(self, x: float) -> None:
        """The mouse is at a pixel of a strip's width: the cursor goes there."""
        if 0 <= x - self._gutter <= self._view.pixels:
            self._view.set_cursor(self._view.t_of(x - self._gutter))

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Handle mouse events of watched widgets; others pass."""
        if not isinstance(watched, QWidget):
            return False
        kind = event.type()
        if isinstance(event, QWheelEvent):
            return self._wheel(event)
        if not isinstance(event, QMouseEvent):
            if kind == QEvent.Type.Leave and self._box_from is None:
                self._view.set_cursor(None)
            if isinstance(event, QContextMenuEvent):
                if event.reason() is QContextMenuEvent.Reason.Keyboard:
                    self.menu_wanted.emit(watched, QPointF(watched.rect().center()))
                return True  # with the mouse, it opens once the button is let go
            return False
        x = event.position().x() - self._gutter
        if kind == QEvent.Type.MouseMove:
            return self._move(watched, x)
        if kind == QEvent.Type.MouseButtonDblClick:
            self._view.show_all()
            self.by_hand.emit()
            return True
        if kind == QEvent.Type.MouseButtonPress:
            return self._press(watched, event, x)
        if kind == QEvent.Type.MouseButtonRelease:
            return self._release(watched, event, x)
        return False

    def _wheel(self, event: QWheelEvent) -> bool:
        turn = event.angleDelta()
        notches = (turn.y() or turn.x()) / _WHEEL_NOTCH
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier or turn.x():
            self._view.pan(-0.1 * notches)
        elif event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            return False
        else:
            about = self._view.t_of(event.position().x() - self._gutter)
            self._view.zoom(_ZOOM_NOTCH**notches, about)
        self.by_hand.emit()
        return True

    def _press(self, widget: QWidget, event: QMouseEvent, x: float) -> bool:
        if x < 0 or event.position().y() < int(widget.property(_TOP) or 0):
            return False  # on an axis or a header: what they are dragged by
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        self._pressed_at = x
        if event.button() == Qt.MouseButton.RightButton or (
            event.button() == Qt.MouseButton.LeftButton and shift
        ):
            self._box_from = x
        elif event.button() == Qt.MouseButton.LeftButton:
            self._mark = near_mark(self._view, x, _GRIP_PX)
            if self._mark is None:
                self._drag_from = x
        return False

    def _move(self, widget: QWidget, x: float) -> bool:
        if self._box_from is not None:
            if self._band is None:
                self._band = QRubberBand(QRubberBand.Shape.Rectangle, widget)
            left, right = sorted((self._box_from + self._gutter, x + self._gutter))
            self._band.setGeometry(QRect(int(left), 0, int(right - left), widget.height()))
            self._band.show()
        elif self._mark is not None:
            put_mark(self._view, self._mark, x)
        elif self._drag_from is not None:
            if abs(x - self._pressed_at) >= _CLICK_PX or self._drag_from != self._pressed_at:
                self._view.pan_ns((self._drag_from - x) * self._view.ns_per_px)
                self._drag_from = x
                self.by_hand.emit()
        else:
            self.point_at(x + self._gutter)
            grips = near_mark(self._view, x, _GRIP_PX) is not None
            shape = Qt.CursorShape.SizeHorCursor if grips else Qt.CursorShape.ArrowCursor
            if widget.cursor().shape() is not shape:
                widget.setCursor(shape)
        return False

    def _release(self, widget: QWidget, event: QMouseEvent, x: float) -> bool:
        boxed = self._box_from is not None and abs(x - self._box_from) > _CLICK_PX
        if event.button() == Qt.MouseButton.RightButton and not boxed:
            self.menu_wanted.emit(widget, event.position())
        if self._box_from is not None and boxed:
            times = sorted((self._view.t_of(self._box_from), self._view.t_of(x)))
            self._view.show_span(*times)
            self.by_hand.emit()
        if self._band is not None:
            self._band.hide()
            self._band.deleteLater()
            self._band = None
        self._box_from = self._drag_from = self._mark = None
        return False
