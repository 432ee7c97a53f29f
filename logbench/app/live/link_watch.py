"""Says across the page, and by tone, that the link is lost in the middle of a drive."""

from __future__ import annotations

from PySide6.QtCore import QObject

from logbench.app.live.session import LiveSession
from logbench.app.parts import Notice
from logbench.app.tones import Tones
from logbench.capture.messages import Status
from logbench.words import tr


class LinkWatch(QObject):
    """The notice stays until the link is back, something else is said, or it is closed by hand."""

    def __init__(self, session: LiveSession, notice: Notice, tones: Tones, parent: QObject) -> None:
        super().__init__(parent)
        self._session, self._notice, self._tones = session, notice, tones
        self._said = ""
        self._lost_at_s: float | None = None
        session.status.connect(self._told)
        session.began_anew.connect(self._forget)

    def _told(self, status: Status) -> None:
        if status.link == "lost":
            self._lost(status.elapsed_s)
        elif status.link == "connected" and self._lost_at_s is not None:
            self._back(status.elapsed_s - self._lost_at_s)

    def _lost(self, elapsed_s: float) -> None:
        if self._lost_at_s is not None:
            return
        self._lost_at_s = elapsed_s
        goes_on = tr("The recording goes on.") if self._session.records else ""
        sentence = tr(
            "The link to the car is lost and is tried again. Once parked, see that the adapter sits"
            " firmly and its lamp is lit."
        )
        self._notice.trouble(f"{sentence} {goes_on}".strip())
        self._said = self._notice.text
        self._tones.play("lost")

    def _back(self, away_s: float) -> None:
        if self._notice.text == self._said:
            self._notice.hide()
        self._notice.passing(tr("The link is back after {seconds} s.", seconds=f"{away_s:.0f}"))
        self._tones.play("next")
        self._forget()

    def _forget(self) -> None:
        self._lost_at_s = None
