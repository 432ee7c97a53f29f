"""Playback: the cursor runs through the drive and the strips follow."""

from __future__ import annotations

import time

from PySide6.QtCore import QObject, QTimer

from logbench.app.parts import named, text_button
from logbench.app.plain import Choice
from logbench.app.plot.view import TimeView
from logbench.plot.trace import SECOND
from logbench.words import tr

SPEEDS = (1, 2, 5, 10, 20, 60)
_EVERY_MS = 40
_TURN_AT, _BACK_TO = 0.85, 0.15
"""Shares of the view: when the cursor has come so far, the view moves on until it stands there."""


class Playback(QObject):
    """A button, a choice of speeds, and the clock behind them."""

    def __init__(self, view: TimeView, parent: QObject) -> None:
        super().__init__(parent)
        self._view = view
        self._last_s = 0.0
        name = tr("Play the drive, or stop")
        self.button = text_button(tr("Play  Space"), self.toggle, name, checkable=True)
        self.speed = named(Choice(), tr("Speed of playback"))
        for times in SPEEDS:
            self.speed.addItem(f"{times}×", times)
        self.speed.setCurrentIndex(SPEEDS.index(10))
        self._timer = QTimer(self)
        self._timer.setInterval(_EVERY_MS)
        self._timer.timeout.connect(self._tick)

    @property
    def playing(self) -> bool:
        """The cursor runs."""
        return self._timer.isActive()

    def toggle(self) -> None:
        """Play from the cursor, or from the start of what is shown; or stop."""
        if self.playing:
            self.stop()
            return
        view = self._view
        at = view.cursor_ns
        if at is None or not view.start_ns <= at < view.end_ns or at >= view.high_ns:
            at = round(max(view.start_ns, view.low_ns))
            view.set_cursor(at)
        self._last_s = time.monotonic()
        self._timer.start()
        self.button.setChecked(True)

    def stop(self) -> None:
        """Leave the cursor where it is."""
        self._timer.stop()
        self.button.setChecked(False)

    def step_speed(self, by: int) -> None:
        """The next faster speed (`by` > 0) or slower one."""
        at = min(max(self.speed.currentIndex() + by, 0), len(SPEEDS) - 1)
        self.speed.setCurrentIndex(at)

    def advance(self, seconds: float) -> None:
        """Move on by so much real time."""
        view = self._view
        at = view.cursor_ns
        if at is None:  # taken away by the user
            self.stop()
            return
        at = min(round(at + seconds * self.speed.currentData() * SECOND), view.high_ns)
        if at > view.start_ns + _TURN_AT * view.width_ns:
            view.pan_ns(at - view.start_ns - _BACK_TO * view.width_ns)
        view.set_cursor(at)
        if at >= view.high_ns:
            self.stop()

    def _tick(self) -> None:
        now_s = time.monotonic()
        passed_s, self._last_s = now_s - self._last_s, now_s
        self.advance(passed_s)
