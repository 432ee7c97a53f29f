"""How far opening has come, shown of what takes its time only."""

from __future__ import annotations

from PySide6.QtCore import QTimer, Signal
from PySide6.QtWidgets import QProgressBar

_PATIENCE_MS = 400


class OpeningProgress(QProgressBar):
    """Not there at first: every step of the bar is painted at once."""

    shown = Signal(bool)

    def __init__(self) -> None:
        super().__init__()
        self.setMaximum(1000)
        self.setTextVisible(False)
        self.setFixedSize(120, 14)
        self._patience = QTimer(self)
        self._patience.setSingleShot(True)
        self._patience.setInterval(_PATIENCE_MS)
        self._patience.timeout.connect(self._show)
        self.hide()

    def set_busy(self, busy: bool) -> None:
        """Something is done, or no longer."""
        if busy and (self._patience.isActive() or not self.isHidden()):
            return
        self._patience.stop()
        self.setValue(0)
        self.hide()
        self.shown.emit(False)
        if busy:
            self._patience.start()

    def report(self, text: str, share: float) -> None:
        """What is being done, and the share done, 0 to 1."""
        if not self.isHidden():
            self.setValue(round(share * 1000))
            self.setAccessibleName(text)
            self.setToolTip(text)

    def _show(self) -> None:
        self.show()
        self.shown.emit(True)
