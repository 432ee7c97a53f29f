"""Fingers on strips: one moves the time axis, which runs on, or scrolls the strips; two zoom it and
move it; a short tap puts the cursor down, a long one opens the menu; A and B are taken hold of."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from PySide6.QtCore import QEvent, QObject, QPointF, Qt, QTimer, Signal
from PySide6.QtGui import QTouchEvent
from PySide6.QtWidgets import QScrollBar, QWidget

from logbench.app.parts import delayed
from logbench.app.plot.view import TimeView

FINGER_PX = 24
"""So far from a cursor's line a finger takes hold of it (half of 15 mm at the usual 96 dpi)."""
_SLACK_PX = 12
"""A finger that moves less still stands where it was put down."""
_HOLD_MS = 600
_TWICE_S = 0.4
_TICK_MS = 16
_KEPT = 0.94
"""Of its speed, what a view that runs on keeps from one tick to the next."""
_LEAST_PX_A_TICK = 0.5
_LEAST_SPREAD_PX = 30.0
"""Two fingers closer than this beside each other say nothing of a zoom."""
_TOUCHES = frozenset({
    QEvent.Type.TouchBegin, QEvent.Type.TouchUpdate, QEvent.Type.TouchEnd, QEvent.Type.TouchCancel,
})  # fmt: skip
Doing = Literal["", "waits", "pans", "scrolls", "marks", "two", "done"]


def near_mark(view: TimeView, x: float, reach_px: float) -> str | None:
    """Which of the cursors A and B stands nearest to a pixel of the plot, within reach."""
    found = [(abs(view.x_of(t) - x), name) for name, t in view.marks.items()]
    return min((one for one in found if one[0] <= reach_px), default=(0.0, None))[1]


def put_mark(view: TimeView, name: str, x: float) -> None:
    """Move cursor `A` or `B` to a pixel of the plot, within the drive."""
    view.set_mark(name, min(max(view.t_of(x), view.low_ns), view.high_ns))


@dataclass(slots=True)
class _Finger:
    widget: QWidget
    at: QPointF
    """In the stack's pixels."""
    began: QPointF


class Touch(QObject):
    """Watches what stands above each other on one time axis; fingers on different strips work
    together."""

    by_hand = Signal()
    """The user moved the view."""
    tapped = Signal(object, object)
    """A short tap on this widget, at this point of it."""
    held = Signal(object, object)
    """A long one."""

    def __init__(
        self,
        view: TimeView,
        gutter: int,
        bar: QScrollBar,
        stack: QWidget,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(stack)
        self._view, self._gutter, self._bar, self._stack = view, gutter, bar, stack
        self._now_s = now_s
        self._fingers: dict[int, _Finger] = {}
        self._doing: Doing = ""
        self._mark = ""
        self._px_a_tick = 0.0
        self._moved_s = 0.0
        self._tapped_s = -1e9
        self._hold = delayed(self, _HOLD_MS, self._held)
        self._runs = QTimer(self, interval=_TICK_MS)
        self._runs.timeout.connect(self._run_on)

    def watch(self, widget: QWidget) -> None:
        """Take the widget's touches."""
        widget.setAttribute(Qt.WidgetAttribute.WA_AcceptTouchEvents)
        widget.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Touches of watched widgets; everything else passes."""
        if event.type() not in _TOUCHES or not isinstance(watched, QWidget):
            return False
        assert isinstance(event, QTouchEvent)
        event.accept()
        if event.type() == QEvent.Type.TouchCancel:
            self._fingers.clear()
            self._end()
            return True
        before = {key: finger.at for key, finger in self._fingers.items()}
        lifted = self._take(watched, event)
        if self._doing == "done":
            pass
        elif len(self._fingers) >= 2:
            self._two(before)
        elif len(self._fingers) == 1:
            ((key, finger),) = self._fingers.items()
            self._one(finger, before.get(key, finger.began))
        for key in lifted:
            self._lift(self._fingers.pop(key))
        if not self._fingers:
            self._doing = ""
            self._hold.stop()
        return True

    def _take(self, widget: QWidget, event: QTouchEvent) -> list[int]:
        """Where the fingers are now; returns those that are lifted."""
        lifted = []
        for point in event.points():
            at = QPointF(widget.mapTo(self._stack, point.position()))
            finger = self._fingers.get(point.id())
            if finger is None:
                self._fingers[point.id()] = _Finger(widget, at, at)
                self._put_down(self._fingers[point.id()])
            else:
                finger.at = at
            if point.state() == point.State.Released:
                lifted.append(point.id())
        return lifted

    def _put_down(self, finger: _Finger) -> None:
        self._runs.stop()
        self._px_a_tick = 0.0
        if len(self._fingers) > 1:
            self._hold.stop()
            self._doing = "two"
            return
        x = finger.at.x() - self._gutter
        mark = near_mark(self._view, x, FINGER_PX) if x >= 0 else None
        self._doing, self._mark = ("marks", mark) if mark else ("waits", "")
        self._hold.start()

    def _one(self, finger: _Finger, last: QPointF) -> None:
        away = finger.at - finger.began
        if self._doing == "waits" and max(abs(away.x()), abs(away.y())) > _SLACK_PX:
            self._hold.stop()
            self._doing = "pans" if abs(away.x()) >= abs(away.y()) else "scrolls"
        by = finger.at - last
        if self._doing == "pans" and by.x():
            self._pan(by.x())
        elif self._doing == "scrolls":
            self._bar.setValue(round(self._bar.value() - by.y()))
        elif self._doing == "marks" and not by.isNull():
            self._hold.stop()
            put_mark(self._view, self._mark, finger.at.x() - self._gutter)

    def _pan(self, by_px: float) -> None:
        self._view.pan_ns(-by_px * self._view.ns_per_px)
        now_s = self._now_s()
        ticks = max(0.25, (now_s - self._moved_s) * 1000 / _TICK_MS)
        self._px_a_tick = by_px / ticks
        self._moved_s = now_s
        self.by_hand.emit()

    def _two(self, before: dict[int, QPointF]) -> None:
        """Keep under the first two fingers the times that were there."""
        keys = [*self._fingers][:2]
        if any(key not in before for key in keys):
            return
        view = self._view
        (a0, b0), (a1, b1) = (before[k] for k in keys), (self._fingers[k].at for k in keys)
        wide0, wide1 = abs(a0.x() - b0.x()), abs(a1.x() - b1.x())
        middle0, middle1 = (a0 + b0) / 2, (a1 + b1) / 2
        if min(wide0, wide1) >= _LEAST_SPREAD_PX and wide0 != wide1:
            view.zoom(wide0 / wide1, view.t_of(middle0.x() - self._gutter))
        if middle0.x() != middle1.x():
            view.pan_ns((middle0.x() - middle1.x()) * view.ns_per_px)
        self._bar.setValue(round(self._bar.value() + middle0.y() - middle1.y()))
        self.by_hand.emit()

    def _lift(self, finger: _Finger) -> None:
        self._hold.stop()
        doing, now_s = self._doing, self._now_s()
        if doing == "two":
            self._doing = "done"  # the finger that is left would move the view with a jerk
        elif doing == "pans" and now_s - self._moved_s < 0.1:
            self._runs.start()
        elif doing in ("waits", "marks") and finger.at == finger.began:
            self._tap(finger, now_s)

    def _tap(self, finger: _Finger, now_s: float) -> None:
        twice, self._tapped_s = now_s - self._tapped_s < _TWICE_S, now_s
        x = finger.at.x() - self._gutter
        if twice and x >= 0:
            self._tapped_s = -1e9
            self._view.show_all()
            self.by_hand.emit()
            return
        if 0 <= x <= self._view.pixels:
            self._view.set_cursor(self._view.t_of(x))
        self.tapped.emit(finger.widget, self._in_widget(finger))

    def _held(self) -> None:
        """A finger stood still for long: what can be done there."""
        if len(self._fingers) == 1 and self._doing in ("waits", "marks"):
            (finger,) = self._fingers.values()
            self._doing = "done"
            x = finger.at.x() - self._gutter
            if 0 <= x <= self._view.pixels:
                self._view.set_cursor(self._view.t_of(x))
            self.held.emit(finger.widget, self._in_widget(finger))

    def _run_on(self) -> None:
        """The view goes on by itself, slower with each tick, and stops at the drive's ends."""
        before = self._view.start_ns
        self._view.pan_ns(-self._px_a_tick * self._view.ns_per_px)
        self._px_a_tick *= _KEPT
        if abs(self._px_a_tick) < _LEAST_PX_A_TICK or self._view.start_ns == before:
            self._runs.stop()

    def _end(self) -> None:
        self._doing = ""
        self._hold.stop()
        self._runs.stop()

    def _in_widget(self, finger: _Finger) -> QPointF:
        return QPointF(finger.widget.mapFrom(self._stack, finger.at))
