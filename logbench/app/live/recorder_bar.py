"""The recorder on every page: its state in words, form and color; marker, note, stop."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QStackedLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.live.session import LiveSession, State
from logbench.app.live.under_way import UnderWay
from logbench.app.parts import Elided, delayed, lay, named, styled, text_button
from logbench.app.plain import Label
from logbench.capture.messages import Status
from logbench.recording.model import Event
from logbench.signals.numbers import time_text
from logbench.words import tr, tr_n

_STATES: dict[State, str] = {
    "idle": tr("○ Not recording"),
    "connecting": tr("◇ Connecting"),
    "watching": tr("◐ Watching, not recording"),
    "recording": tr("● Recording"),
    "finishing": tr("▼ Saving"),
}
_LINKS = {
    "lost": tr("▲ Link lost, trying again"),
    "silent": tr("■ No answer from the car, asking again"),
    "connecting": tr("◇ Connecting"),
    "waiting": tr("◇ Waiting for the engine"),
}
"""Instead of the state, where nothing comes."""
_HOLD_MS = 800
_AGAIN_MS = 4000
_SLIP_S = 0.4
"""Two presses closer than this are one slip of the hand."""
_LONGEST = 200
_PAD_PX = 28
_STOPS = (tr("Stop: hold, or press twice"), tr("Keep holding …"), tr("Press again to stop"))


class StopButton(QPushButton):
    """Stops a recording when it is held, or pressed a second time within some seconds. One press
    alone does nothing, nor do two that are one slip of the hand."""

    wanted = Signal()

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._now_s = now_s
        self._pressed_s: float | None = None
        self._hold = delayed(self, _HOLD_MS, self._stop)
        self._again = delayed(self, _AGAIN_MS, self.disarm)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        styled(named(self, tr("Stop and save the recording")), "stop")
        self.pressed.connect(self._begin_hold)
        self.released.connect(self._end_hold)
        self.clicked.connect(self.press)
        self._tell()

    @property
    def armed(self) -> bool:
        """The next press stops."""
        return self._pressed_s is not None

    def press(self) -> None:
        """One press, by hand or by key."""
        if self._pressed_s is None:
            self._pressed_s = self._now_s()
            self._again.start()
        elif self._now_s() - self._pressed_s >= _SLIP_S:
            self._stop()
        self._tell()

    def disarm(self) -> None:
        """What was pressed so far does not count."""
        self._hold.stop()
        self._again.stop()
        self._pressed_s = None
        self._tell()

    def sizeHint(self) -> QSize:
        """Room for each of its texts: no control moves while it is pressed."""
        hint = super().sizeHint()
        wide = max(self.fontMetrics().horizontalAdvance(text) for text in _STOPS) + _PAD_PX
        return QSize(max(hint.width(), wide), hint.height())

    def _begin_hold(self) -> None:
        self._hold.start()
        self._tell()

    def _end_hold(self) -> None:
        self._hold.stop()
        self._tell()

    def _stop(self) -> None:
        self.disarm()
        self.wanted.emit()

    def _tell(self) -> None:
        rest, holding, again = _STOPS
        text = again if self.armed else rest
        self.setText(holding if self._hold.isActive() else text)


class StateChip(Elided):
    """What the recorder does, in a word, a form and a color."""

    def __init__(self) -> None:
        super().__init__()
        styled(self, "recorder")
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        """The whole text."""
        hint = super().sizeHint()
        wide = self.fontMetrics().horizontalAdvance(self.whole) + _PAD_PX
        return QSize(wide, hint.height())

    def show_state(self, state: str, text: str) -> None:
        """Another state: its color and its words."""
        if self.property("state") != state:
            self.setProperty("state", state)
            self.style().polish(self)
        if text != self.whole:
            self.tell(text)
            self.updateGeometry()


class MarkerNote(QWidget):
    """Enter puts the marker, Esc leaves without one; the time is that at which it was asked for."""

    given = Signal(str, object)
    """The note and the time in ns."""
    left = Signal()

    def __init__(self, now_ns: Callable[[], int]) -> None:
        super().__init__()
        self._now_ns = now_ns
        self.t_ns = 0
        self._title = Label()
        self.text = named(QLineEdit(maxLength=_LONGEST), tr("Note for the marker"))
        self.text.setPlaceholderText(tr("What happened"))
        self.text.returnPressed.connect(self._give)
        put = text_button(tr("Put the marker"), self._give)
        leave = text_button(tr("Leave  Esc"), self.left.emit)
        lay(QHBoxLayout(self), self._title, (self.text, 1), put, leave, margins=(12, 4, 12, 4))

    def ask_now(self) -> None:
        """For a marker at this instant."""
        self.t_ns = self._now_ns()
        self._title.setText(tr("Marker at {time}", time=_time(self.t_ns)))
        self.text.clear()

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        self.t_ns = max(0, self.t_ns - by_ns)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc leaves."""
        if event.key() == Qt.Key.Key_Escape:
            self.left.emit()
        else:
            super().keyPressEvent(event)

    def _give(self) -> None:
        text = " ".join(self.text.text().split())
        self.left.emit()
        self.given.emit(text, self.t_ns)


class RecorderBar(QFrame):
    """At the foot of the window, whatever page is shown: nothing else stops a recording that is
    made. Where a note is asked for, the field stands in the place of the controls."""

    note_left = Signal()
    """The focus can go back to where it was."""

    def __init__(self, session: LiveSession, under_way: UnderWay) -> None:
        super().__init__()
        self._session, self._under_way = session, under_way
        styled(self, "bar")
        self.state = StateChip()
        self.elapsed = styled(named(Label(), tr("Time since the start")), "lead")
        self.said_marks = styled(Elided(), "muted")
        self.marker = text_button(tr("Marker"), session.mark, tr("Put a marker"))
        self.note_button = text_button(tr("Note"), self.ask_note, tr("Put a marker with a note"))
        self.stop = StopButton()
        self.note = MarkerNote(lambda: session.clock.now_ns)
        self._lay_out()
        self._connect()
        self._state_changed(session.state)

    def _lay_out(self) -> None:
        for button in (self.marker, self.note_button):  # a click leaves the space bar alone
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._controls = QWidget()
        buttons = (self.marker, self.note_button, self.stop)
        said = (self.state, self.elapsed, (self.said_marks, 1))
        lay(QHBoxLayout(self._controls), *said, *buttons, margins=(12, 4, 12, 4))
        self._places = QStackedLayout(self)
        for widget in (self._controls, self.note):
            self._places.addWidget(widget)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def _connect(self) -> None:
        session = self._session
        session.state_changed.connect(self._state_changed)
        session.status.connect(self._told)
        session.began_anew.connect(self.clear)
        session.begun.connect(lambda begun: self.note.shift(begun.since_ns))
        self.stop.wanted.connect(session.stop)
        self.note.given.connect(session.mark)
        self.note.left.connect(self._leave_note)

    def add_commands(self, window: QWidget) -> None:
        """What can be done on every page."""
        for title, keys, run in (
            (tr("Put a marker, on any page"), "Ctrl+M", self._session.mark),
            (tr("Put a marker with a note, on any page"), "Ctrl+Shift+M", self.ask_note),
            (tr("Stop the recording: press twice"), "Ctrl+Shift+X", self.press_stop),
        ):
            add_command(window, title, keys, run).setAutoRepeat(False)

    def show_keys(self, page: str) -> None:
        """The keys that put a marker on this page; texts on a button's face."""
        live = page == "live"
        self.marker.setText(tr("Marker  Space") if live else tr("Marker  Ctrl+M"))
        self.note_button.setText(tr("Note  N") if live else tr("Note  Ctrl+Shift+M"))

    def press_stop(self) -> None:
        """As a press on the button; nothing where nothing is recorded."""
        if self.stop.isEnabled():
            self.stop.press()

    def ask_note(self) -> None:
        """Ask for a note to a marker at this instant; a driver under way types nothing."""
        if self.note_button.isEnabled() and not self._under_way.may_ask:
            self._session.mark()
            said = tr("A marker is put. When safely stopped, or in Review: write its note.")
            self._under_way.held_back.emit(said)
        elif self.note_button.isEnabled():
            self.note.ask_now()
            self._places.setCurrentWidget(self.note)
            self.note.text.setFocus()

    def said(self) -> str:
        """State and time since the start."""
        return "   ".join(filter(None, (self.state.whole, self.elapsed.text())))

    def clear(self) -> None:
        """Another drive begins."""
        self.elapsed.clear()
        self.show_marks(())

    def show_marks(self, events: Sequence[Event]) -> None:
        """How many markers there are by now, and when the last was put."""
        marks = [event for event in events if event.kind == "marker"]
        text = ""
        if marks:
            count = tr_n("{n} marker", "{n} markers", len(marks))
            text = tr("{count}, the last at {time}", count=count, time=_time(marks[-1].t_ns))
        self.said_marks.tell(text)

    def _leave_note(self) -> None:
        self._places.setCurrentWidget(self._controls)
        self.note_left.emit()

    def _state_changed(self, state: State) -> None:
        left = state == "finishing" and not self._session.records
        self.state.show_state(state, tr("▼ Disconnecting") if left else _STATES[state])
        for button in (self.marker, self.note_button):
            button.setEnabled(state in ("watching", "recording"))
        self.stop.disarm()
        self.stop.setEnabled(state == "recording")
        if state == "idle" and self._places.currentWidget() is self.note:
            self._leave_note()

    def _told(self, status: Status) -> None:
        self.elapsed.setText(time_text(status.elapsed_s))
        state = self._session.state
        if state in ("connecting", "watching", "recording"):
            known = status.link in _LINKS
            self.state.show_state(
                status.link if known else state, _LINKS.get(status.link, _STATES[state])
            )


def _time(t_ns: int) -> str:
    """On the recording's clock."""
    return time_text(t_ns / 1e9)
