"""Whether the strips follow the newest samples or stand still while the drive goes on."""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal

from logbench.app.live.session import LiveSession
from logbench.app.plot.view import TimeView
from logbench.cases.settings import Settings
from logbench.plot.trace import SECOND


class Following(QObject):
    """The newest samples in view, in a window of the width that the settings have."""

    changed = Signal(bool)

    def __init__(
        self, view: TimeView, session: LiveSession, settings: Settings, parent: QObject
    ) -> None:
        super().__init__(parent)
        self._view, self._session, self._settings = view, session, settings
        self.on = True

    def set(self, on: bool) -> None:
        """Follow from now on, or stand still."""
        self.on = on
        self.follow()
        self.changed.emit(on)

    def stop(self) -> None:
        """The user moves in time."""
        self.set(False)

    def follow(self) -> bool:
        """Bring the newest samples into view; False where the strips stand still."""
        if self.on:
            width = round(self._settings.window_s) * SECOND
            end = max(self._session.now_ns, width)
            self._view.show_span(end - width, end)
        return self.on
