"""Who looks at the window: a driver under way, who is asked for nothing, or somebody who may be."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject, QTimer, Signal

from logbench.app.live.session import LiveSession, State
from logbench.plot.motion import MotionWatch
from logbench.words import tr

_EVERY_MS = 200


class UnderWay(QObject):
    """Follows the car's speed. A passenger who operates the program is declared by hand, and only
    for the recording or watching under way: the next one begins with a driver."""

    changed = Signal()
    """`may_ask` or `passenger` did."""
    held_back = Signal(str)
    """Something was not opened, for this reason."""

    def __init__(self, session: LiveSession, parent: QObject) -> None:
        super().__init__(parent)
        self._session = session
        self._motion = MotionWatch()
        self.passenger = False
        self._timer = QTimer(self, interval=_EVERY_MS)
        self._timer.timeout.connect(self.look)
        session.state_changed.connect(self._state_changed)
        session.began_anew.connect(lambda: self.declare(False))

    @property
    def may_ask(self) -> bool:
        """Whether what is told may ask for hands, feet or eyes, and questions may be opened."""
        return self.passenger or not self._motion.moves

    def declare(self, passenger: bool) -> None:
        """A passenger operates this program from now on, or does no longer."""
        if passenger != self.passenger:
            self.passenger = passenger
            self.changed.emit()

    def ask(self, run: Callable[[], object]) -> None:
        """Open what asks for hands and eyes, unless the driver has none to spare."""
        if self.may_ask:
            run()
        else:
            self.held_back.emit(
                tr(
                    "When safely stopped: try again. Where a passenger operates this, "
                    "press “Passenger” first."
                )
            )

    def look(self) -> None:
        """Samples came, or time has passed without any."""
        session = self._session
        if session.active and self._motion.look(session.traces, session.clock, session.vehicle):
            self.changed.emit()

    def _state_changed(self, state: State) -> None:
        if state == "idle":
            self._timer.stop()
            ended = self._motion.forget()
            if self.passenger or ended:
                self.passenger = False
                self.changed.emit()
        elif not self._timer.isActive():
            self._timer.start()
