"""The middle of the Live page: an invitation, the cautions, steps of connecting, or the drive."""

from __future__ import annotations

from PySide6.QtWidgets import QStackedWidget, QVBoxLayout, QWidget

from logbench.app.live.marker_note import MarkerNote
from logbench.app.live.session import LiveSession
from logbench.app.live.shapes import Shapes
from logbench.app.live.shown import DriveShown
from logbench.app.live.starting import Starting
from logbench.app.live.tools import LiveTools
from logbench.app.parts import EmptyState, lay, middle
from logbench.capture.messages import Finished
from logbench.words import tr


class Middle(QStackedWidget):
    """One of the four at a time."""

    def __init__(
        self,
        session: LiveSession,
        starting: Starting,
        shown: DriveShown,
        tools: LiveTools,
        note: MarkerNote,
        shapes: Shapes,
    ) -> None:
        super().__init__()
        self._session = session
        self.empty = EmptyState(
            tr("No recording yet"),
            tr(
                "Pick the link to the car on the left and press Start recording (Ctrl+R), or only "
                "watch (Ctrl+E). No adapter at hand? The simulated car behaves like a real one."
            ),
            tr("Record the simulated car"),
        )
        self._drive = QWidget()
        lay(
            QVBoxLayout(self._drive),
            tools,
            note,
            shown.ribbon,
            (shapes, 1),
            margins=(0, 0, 0, 0),
            spacing=2,
        )
        self._invitation, self._cautions, self._connecting = (
            middle(card) for card in (self.empty, starting.cautions, starting.connecting)
        )
        for page in (self._invitation, self._cautions, self._drive, self._connecting):
            self.addWidget(page)
        starting.cautions_shown.connect(lambda: self.setCurrentWidget(self._cautions))
        starting.cautions_left.connect(self.show_what_there_is)
        session.car_found.connect(self._car_found)
        session.finished.connect(self._finished)

    def show_drive(self) -> None:
        """Strips, plan or wiggle test, with the tools above them."""
        self.setCurrentWidget(self._drive)

    def show_what_there_is(self) -> None:
        """The drive where there are samples, else the invitation."""
        self.setCurrentWidget(self._drive if self._session.traces else self._invitation)

    def show_connecting(self) -> None:
        """The steps, unless there is a drive that is gone on with."""
        self.setCurrentWidget(self._drive if self._session.traces else self._connecting)

    def _car_found(self) -> None:
        if self.currentWidget() is self._connecting:
            self.show_drive()

    def _finished(self, finished: Finished) -> None:
        """Where nothing was kept there is nothing more to be read here."""
        if finished.path is None:
            self.show_what_there_is()
