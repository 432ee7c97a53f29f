"""Says across the page, and by tone, that nothing comes any more in the middle of a drive."""

from __future__ import annotations

from PySide6.QtCore import QObject

from logbench.app.live.session import LiveSession
from logbench.app.parts import Notice
from logbench.app.tones import Tones
from logbench.capture.messages import Status
from logbench.words import tr

_WHY = {
    "lost": tr(
        "The link to the car is lost and is tried again. Once parked, see that the adapter sits"
        " firmly and its lamp is lit."
    ),
    "silent": tr(
        "The car does not answer any more: its key is off, or the plug has lost contact. It is"
        " asked again and again."
    ),
}


class LinkWatch(QObject):
    """The notice stays until the link is back, something else is said, or it is closed by hand.

    A silent car is what an unattended run waits for: of that nothing is said.
    """

    def __init__(self, session: LiveSession, notice: Notice, tones: Tones, parent: QObject) -> None:
        super().__init__(parent)
        self._session, self._notice, self._tones = session, notice, tones
        self._said = ""
        self._away_since_s: float | None = None
        self._why = ""
        session.status.connect(self._told)
        session.began_anew.connect(self._anew)

    def _told(self, status: Status) -> None:
        if self._session.unattended and status.link in ("silent", "waiting"):
            self._anew()
        elif status.link in _WHY:
            self._away(status.link, status.elapsed_s)
        elif status.link == "connected" and self._away_since_s is not None:
            self._back(status.elapsed_s - self._away_since_s)

    def _away(self, why: str, elapsed_s: float) -> None:
        if why == self._why:
            return
        if self._away_since_s is None:
            self._away_since_s = elapsed_s
            self._tones.play("lost")
        self._why = why
        goes_on = tr("The recording goes on.") if self._session.records else ""
        self._notice.trouble(f"{_WHY[why]} {goes_on}".strip())
        self._said = self._notice.text

    def _back(self, away_s: float) -> None:
        self._take_back()
        seconds = f"{away_s:.0f}"
        if self._why == "silent":
            back = tr("The car answers again after {seconds} s.", seconds=seconds)
        else:
            back = tr("The link is back after {seconds} s.", seconds=seconds)
        self._notice.passing(back)
        self._tones.play("next")
        self._forget()

    def _anew(self) -> None:
        self._take_back()
        self._forget()

    def _take_back(self) -> None:
        if self._said and self._notice.text == self._said:
            self._notice.hide()

    def _forget(self) -> None:
        self._away_since_s = None
        self._why = self._said = ""
