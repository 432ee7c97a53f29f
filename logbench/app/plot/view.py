"""The stretch of time that all strips show, and the cursors in it."""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal

from logbench.plot.time_scale import TimeScale


class TimeView(QObject, TimeScale):
    """One time axis shared by a stack; says what changed."""

    changed = Signal()
    """The shown stretch or its width in pixels changed."""
    cursor_moved = Signal()
    limits_changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        QObject.__init__(self, parent)
        TimeScale.__init__(self)

    def _on_change(self) -> None:
        self.changed.emit()

    def _on_limits(self) -> None:
        self.limits_changed.emit()

    def _on_cursor(self) -> None:
        self.cursor_moved.emit()
