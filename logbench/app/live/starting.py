"""How a drive begins: link, cautions, steps of connecting, file; watched, recorded, or both."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QPushButton,
    QScrollArea,
)

from logbench.analysis.cautions import CAUTIONS as CAUTIONS_OF_CARS
from logbench.app.live.record_box import RecordBox
from logbench.app.live.session import LiveSession
from logbench.app.live.setup import SetUp
from logbench.app.live.watching import DriveWatcher
from logbench.app.notice import Notice
from logbench.app.parts import Card, lay, named, plain_text, styled, text_button
from logbench.app.plain import Label
from logbench.capture.messages import Status
from logbench.errors import LinkUnknownError, StorageError, UsageError
from logbench.vehicle.links.schemes import leads_to, title_of
from logbench.words import tr

_MOST_STEPS = 40
CAUTIONS = (
    tr(
        "The driver only drives: start while parked, or let a second person work the program. "
        "Look at the recording after stopping."
    ),
    tr("Never run an engine indoors or partly enclosed: carbon monoxide kills."),
    tr("Route cables clear of pedals, steering wheel and airbags."),
    tr(
        "Never open a hot cooling system; fans may start with the key off. "
        "Keep clear of belts and exhaust."
    ),
    tr(
        "Full throttle only where lawful and safe. Stop on an oil light, overheating or a flashing "
        "malfunction lamp."
    ),
    *(CAUTIONS_OF_CARS[key].text for key in ("rolling", "unasked", "high_voltage")),
)
"""Common practice; carbon monoxide: NIOSH advice."""


class ConnectingCard(Card):
    """A list of sentences: done ones are ticked, the last is under way, or says what failed."""

    def __init__(self) -> None:
        super().__init__(tr("Connecting"), 700, (24, 20, 24, 20), 12)
        self._list = named(plain_text(), tr("Steps of connecting"))
        self._list.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._scroll = QScrollArea(widgetResizable=True)
        self._scroll.setWidget(self._list)
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setMinimumHeight(280)
        self._scroll.viewport().setAutoFillBackground(False)
        self._list.setAutoFillBackground(False)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        lay(self.column, (self._scroll, 1))
        self.steps: list[str] = []
        self._link = ""

    def begin(self, link: str) -> None:
        """A new attempt over this link."""
        self._link = link
        self.title.setText(tr("Connecting: {link}", link=link))
        self.steps = []
        self.step(tr("Opening the link"))

    def waits(self) -> None:
        """What is waited for is not the link: an unattended run records once the engine runs."""
        self.title.setText(tr("Waiting for the engine: {link}", link=self._link))

    def step(self, sentence: str) -> None:
        """The last step is done; this one is under way."""
        self.steps = [*self.steps, sentence][-_MOST_STEPS:]
        self._show("…")

    def fail(self, sentence: str) -> None:
        """The last step failed, for this reason."""
        self.title.setText(tr("Not connected"))
        self._show("–", f"■  {sentence}")

    def lines(self) -> list[str]:
        """What is shown, line by line."""
        return self._list.text().splitlines()

    def _show(self, mark: str, *more: str) -> None:
        *done, last = self.steps
        self._list.setText("\n".join([*(f"✔  {text}" for text in done), f"{mark}  {last}", *more]))
        bar = self._scroll.verticalScrollBar()
        bar.setValue(bar.maximum())


class CautionsCard(Card):
    """The cautions of the trade, shown once before the first recording on a real car, in the middle
    of the page; one press goes on."""

    accepted = Signal()
    refused = Signal()

    def __init__(self) -> None:
        super().__init__(tr("Before the drive"), 640, (24, 20, 24, 20), 12)
        self.go_on = styled(QPushButton(tr("Start recording")), "primary")
        self.go_on.clicked.connect(self.accepted)
        self.go_on.setAutoDefault(True)
        back = text_button(tr("Back"), self.refused.emit)
        lay(self.column, *(Label(f"•  {text}", wordWrap=True) for text in CAUTIONS))
        self.column.addSpacing(6)
        lay(self.column, lay(QHBoxLayout(), (self.go_on, 1), back))
        self.setAccessibleName(tr("Cautions before the drive. ") + " ".join(CAUTIONS))
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)


class Starting(QObject):
    """Between the controls and the session."""

    cleared = Signal()
    """Another drive begins: what is shown of the last one goes."""
    cautions_shown = Signal()
    cautions_left = Signal()
    stop_wanted = Signal()
    """One press of a key that stops what is recorded."""

    def __init__(
        self,
        session: LiveSession,
        set_up: SetUp,
        box: RecordBox,
        watcher: DriveWatcher,
        notice: Notice,
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._session, self._set_up, self._box = session, set_up, box
        self._watcher, self._notice = watcher, notice
        self.cautions = CautionsCard()
        self.connecting = ConnectingCard()
        self.cautions_seen = False
        self._after_cautions: Callable[[], object] = self.start
        self.again: Callable[[], object] = self.start
        """What was tried last."""
        self.cautions.accepted.connect(self._accepted)
        self.cautions.refused.connect(self.cautions_left)
        box.record.clicked.connect(self.toggle)
        box.connect_.clicked.connect(self.toggle_link)
        session.stepped.connect(self._stepped)
        session.status.connect(self._told)
        session.not_begun.connect(self._not_begun)
        session.failed.connect(lambda failed: self.connecting.fail(failed.sentence))

    def toggle(self) -> None:
        """Start, begin what is watched, or stop and save."""
        session = self._session
        if not session.active:
            self.start()
        elif session.state == "recording":
            self.stop_wanted.emit()
        elif session.records:
            session.stop()
        else:
            self._begin()

    def toggle_link(self) -> None:
        """Connect and watch without recording, or hang up."""
        if not self._session.active:
            self.connect_link()
        elif not self._session.records:
            self._session.stop()

    def connect_link(self) -> None:
        """Watch what is chosen; the last minutes are kept for a recording begun later."""
        self.again = self.connect_link
        url = self._ready_link(self.connect_link, tr("Connect"))
        if url is not None:
            self.cleared.emit()
            self._session.start(self._set_up.watch_request(url, self._box.hold_s))

    def start(self, resume: Path | None = None) -> None:
        """Begin a recording with what is chosen, or go on with the journal of one that broke off;
        the first on a real car shows the cautions."""
        self.again = self.start
        url = self._ready_link(self.start, tr("Start recording"))
        out = self._new_out() if url is not None else None
        if url is not None and out is not None:
            if resume is None:
                self.cleared.emit()
            self._session.start(self._set_up.request(url, out, resume))

    def _begin(self) -> None:
        out = self._new_out()
        if out is not None:
            self._box.begin_sent(True)
            self._session.begin(out, self._box.include.isChecked())

    def _new_out(self) -> Path | None:
        """Where to record; None, with a sentence, where that cannot be."""
        try:
            return self._set_up.out(days=not self._session.active)
        except StorageError as error:
            self._notice.trouble(str(error))
            return None

    def _ready_link(self, then: Callable[[], object], button: str) -> str | None:
        """The link chosen; None while there is something to be read or put right first."""
        try:
            url = self._set_up.link.url()
        except LinkUnknownError as error:
            self._notice.trouble(str(error))
            self._set_up.link.setFocus()
            return None
        try:
            self._set_up.car.check()
        except UsageError as error:
            self._notice.trouble(str(error))
            return None
        if not self.cautions_seen and leads_to(url) == "car":
            self.show_cautions(then, button)
            return None
        self._notice.hide()
        self._set_up.remember(url)
        car = self._set_up.car
        self._watcher.set_car(car.vehicle(), car.surroundings())
        self.connecting.begin(title_of(url))
        return url

    def show_cautions(self, then: Callable[[], object], button: str) -> None:
        """Show them; `then` is done when they are accepted with this button."""
        self._after_cautions = then
        self.cautions.go_on.setText(button)
        self.cautions_shown.emit()
        self.cautions.go_on.setFocus()

    def _accepted(self) -> None:
        self.cautions_seen = True
        self.cautions_left.emit()
        self._after_cautions()

    def _stepped(self, text: str) -> None:
        if self._session.state == "connecting":
            self.connecting.step(text)

    def _told(self, status: Status) -> None:
        if self._session.state == "connecting" and status.link == "waiting":
            self.connecting.waits()

    def _not_begun(self, sentence: str) -> None:
        self._box.begin_sent(False)
        self._notice.trouble(sentence)
