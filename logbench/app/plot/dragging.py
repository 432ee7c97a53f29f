"""Traces and strips dragged with the mouse: by a trace's label in a header, or from a list of
signals; and whole strips by their value axis."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal

from PySide6.QtCore import QByteArray, QEvent, QMimeData, QObject, QPoint, QRect, Qt, Signal
from PySide6.QtGui import QDrag, QDragMoveEvent, QDropEvent, QMouseEvent
from PySide6.QtWidgets import QApplication, QRubberBand

from logbench.app.plot.canvas import GUTTER, HEADER
from logbench.app.plot.stack import StripStack
from logbench.app.plot.strip import Strip
from logbench.plot.layout import key_from
from logbench.plot.trace import Key
from logbench.system.limits import DRAG_BYTES
from logbench.system.reading import json_of

TRACE = "application/x-logbench-trace"
STRIP = "application/x-logbench-strip"
_EDGE = 0.25
"""Share of a strip's height at its top and bottom where a trace is put into a strip of its own."""
_LINE_PX = 6


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was dropped: into a strip, or as a strip of its own at a place."""

    how: Literal["into", "at"]
    index: int


def trace_data(key: Key) -> QMimeData:
    """What a dragged trace carries."""
    data = QMimeData()
    data.setData(TRACE, QByteArray(json.dumps(key).encode()))
    data.setText(key[0])
    return data


def trace_in(data: QMimeData) -> Key | None:
    """The trace that is dragged, or None; whatever another program puts there is no error."""
    raw = bytes(data.data(TRACE).data()) if data.hasFormat(TRACE) else b""
    if not raw or len(raw) > DRAG_BYTES:
        return None
    try:
        return key_from(json_of(raw))
    except ValueError:
        return None


class Dragging(QObject):
    """Watches the strips of a stack for drags that begin or end on them."""

    trace_dropped = Signal(object, object)
    """A trace (signal, ECU) was dropped at a `Place`."""
    strip_dropped = Signal(int, int)
    """The strip at a place was dropped in front of another place."""

    def __init__(self, stack: StripStack) -> None:
        super().__init__(stack)
        self._stack = stack
        self._pressed: tuple[Strip, QPoint] | None = None
        self._shown: QRubberBand | None = None
        stack.setAcceptDrops(True)
        stack.installEventFilter(self)
        stack.strip_made.connect(self._watch)

    def _watch(self, strip: Strip) -> None:
        strip.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Presses and moves on headers and axes of strips; drops on the stack."""
        if watched is self._stack:
            return self._dropping(event)
        if isinstance(watched, Strip) and isinstance(event, QMouseEvent):
            return self._mouse(watched, event)
        return False

    # --- begin ---

    def _mouse(self, strip: Strip, event: QMouseEvent) -> bool:
        at = event.position().toPoint()
        kind = event.type()
        if kind == QEvent.Type.MouseButtonPress and event.button() == Qt.MouseButton.LeftButton:
            self._pressed = (strip, at) if at.x() < GUTTER or at.y() < HEADER else None
            label = strip.header.label_at(at)
            if label is not None:
                strip.choose(label)
        elif kind == QEvent.Type.MouseMove and self._pressed is not None:
            held = bool(event.buttons() & Qt.MouseButton.LeftButton)
            far = (at - self._pressed[1]).manhattanLength() >= QApplication.startDragDistance()
            if held and far:
                pressed, self._pressed = self._pressed, None
                self._drag(*pressed)
            return held
        elif kind == QEvent.Type.MouseButtonRelease:
            self._pressed = None
        return False

    def _drag(self, strip: Strip, at: QPoint) -> None:
        label = strip.header.label_at(at)
        drag = QDrag(strip)
        if label is not None:
            drag.setMimeData(trace_data(strip.traces[label].key))
        elif at.x() < GUTTER:
            data = QMimeData()
            data.setData(STRIP, QByteArray(str(self._stack.strips.index(strip)).encode()))
            drag.setMimeData(data)
        else:
            return
        drag.exec(Qt.DropAction.MoveAction)
        self._show(None)

    # --- end ---

    def _dropping(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.DragLeave:
            self._show(None)
            return False
        if not isinstance(event, QDropEvent):  # DragEnter and DragMove are drops, too
            return False
        whole = self._strip_in(event)
        key = trace_in(event.mimeData())
        if whole is None and key is None:
            return False
        event.setDropAction(Qt.DropAction.MoveAction)
        event.accept()
        place = self.place_at(round(event.position().y()), whole_strip=whole is not None)
        if isinstance(event, QDragMoveEvent):
            self._show(place)
            return True
        self._show(None)
        if whole is not None:
            self.strip_dropped.emit(whole, place.index)
        else:
            self.trace_dropped.emit(key, place)
        return True

    def _strip_in(self, event: QDropEvent) -> int | None:
        """Place of the strip that is dragged: only strips of this stack can be."""
        source = event.source()
        if not event.mimeData().hasFormat(STRIP) or source not in self._stack.strips:
            return None
        return self._stack.strips.index(source)

    def place_at(self, y: int, *, whole_strip: bool = False) -> Place:
        """Where a drop at `y` (stack's pixels) goes: a whole strip between strips, a trace into
        one, or near its edge into a strip of its own."""
        for index, box in enumerate(self._boxes()):
            if y < box.bottom() + 1:
                share = (y - box.top()) / max(1, box.height())
                if whole_strip:
                    return Place("at", index + (share > 0.5))
                if share < _EDGE:
                    return Place("at", index)
                return Place("at", index + 1) if share > 1 - _EDGE else Place("into", index)
        return Place("at", len(self._stack.strips))

    def _boxes(self) -> list[QRect]:
        stack = self._stack
        return [QRect(s.mapTo(stack, QPoint(0, 0)), s.size()) for s in stack.strips]

    def _show(self, place: Place | None) -> None:
        """A frame over the strip, or a bar between strips, where it would go."""
        if place is None:
            if self._shown is not None:
                self._shown.hide()
                self._shown.deleteLater()
                self._shown = None
            return
        if self._shown is None:
            self._shown = QRubberBand(QRubberBand.Shape.Rectangle, self._stack)
        boxes = self._boxes()
        if place.how == "into":
            self._shown.setGeometry(boxes[place.index])
        else:
            below = boxes[place.index].top() if place.index < len(boxes) else None
            y = below if below is not None else boxes[-1].bottom() if boxes else 0
            wide = self._stack.width() - GUTTER
            self._shown.setGeometry(QRect(GUTTER, y - _LINE_PX // 2, wide, _LINE_PX))
        self._shown.show()
