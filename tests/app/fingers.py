"""Fingers on a touch screen, for tests: what they do comes to the window as the system sends it."""

from __future__ import annotations

from functools import cache

from PySide6.QtCore import QPoint, QPointF
from PySide6.QtGui import QPointingDevice
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractItemView, QApplication, QWidget


@cache
def _screen() -> QPointingDevice:
    return QTest.createTouchDevice()


class Fingers:
    """On one widget; points are in its pixels."""

    def __init__(self, widget: QWidget) -> None:
        self._widget = widget
        self._at: dict[int, QPoint] = {}

    def down(self, *points: tuple[float, float]) -> Fingers:
        """Put fingers down, one for each point."""
        self._reach(QPointF(*points[0]).toPoint())
        event = QTest.touchEvent(self._widget, _screen())
        for number, point in enumerate(points):
            self._at[number] = QPointF(*point).toPoint()
            event.press(number, self._at[number], self._widget)
        event.commit()
        return self

    def _reach(self, point: QPoint) -> None:
        """Bring the point onto the screen, which may be smaller than the window."""
        window, seen = self._widget.window(), self._widget.screen().geometry()
        at = self._widget.mapToGlobal(point)
        if not seen.contains(at):
            window.move(window.pos() + seen.center() - at)
            QApplication.processEvents()

    def to(self, *points: tuple[float, float], steps: int = 6) -> Fingers:
        """Move all fingers to other points."""
        begun = dict(self._at)
        for step in range(1, steps + 1):
            event = QTest.touchEvent(self._widget, _screen())
            for number, point in enumerate(points):
                end, start = QPointF(*point), QPointF(begun[number])
                self._at[number] = (start + (end - start) * step / steps).toPoint()
                event.move(number, self._at[number], self._widget)
            event.commit()
        return self

    def up(self) -> None:
        """Lift them."""
        event = QTest.touchEvent(self._widget, _screen())
        for number, point in self._at.items():
            event.release(number, point, self._widget)
        event.commit()
        self._at.clear()
        QApplication.processEvents()


def tap(widget: QWidget, x: float | None = None, y: float | None = None) -> None:
    """A short tap, by default in the middle."""
    middle = widget.rect().center()
    Fingers(widget).down((middle.x() if x is None else x, middle.y() if y is None else y)).up()


def tap_row(view: QAbstractItemView, row: int, column: int = 0) -> None:
    """A short tap on a row of a list or table."""
    index = view.model().index(row, column)
    view.scrollTo(index)
    at = view.visualRect(index).center()
    tap(view.viewport(), at.x(), at.y())
