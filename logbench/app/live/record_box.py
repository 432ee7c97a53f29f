"""The large control that records, and the one that connects before."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from logbench.app.live.session import LiveSession, State
from logbench.app.parts import lay, named, pad, styled
from logbench.capture.messages import Status
from logbench.cases.settings import Settings
from logbench.signals.numbers import time_text
from logbench.system.refusal import ends_of
from logbench.words import tr

_LARGE_PX = 46


class RecordBox(QWidget):
    """`record` starts or begins; `connect_` watches without recording, or hangs up. What is
    recorded is stopped in the bar of the window (`RecorderBar`) only."""

    def __init__(self, settings: Settings, session: LiveSession) -> None:
        super().__init__()
        self._settings, self._session = settings, session
        self._begin_sent = False
        self.record = styled(named(QPushButton(), tr("Start or stop recording")), "primary")
        self.record.setMinimumHeight(_LARGE_PX)
        self.connect_ = QPushButton()
        self.connect_.setToolTip(
            tr("Shows the car's values without recording; the last minutes are kept")
        )
        self.include = QCheckBox()
        self.include.setChecked(settings.include_held)
        self.include.setToolTip(
            tr("What was seen before the recording is begun is put into it, up to these minutes")
        )
        self.include.toggled.connect(self._include_chosen)
        self.minutes = named(
            QSpinBox(suffix=" min"), tr("Minutes kept before a recording is begun")
        )
        self.minutes.setRange(*map(int, ends_of(Settings, "held_min")))
        pad(self.minutes)
        self.minutes.setValue(settings.held_min)
        self.minutes.valueChanged.connect(self._minutes_chosen)
        for button in (self.record, self.connect_):  # a click leaves the space bar to the marker
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        row = lay(QHBoxLayout(), (self.include, 1), self.minutes)
        lay(QVBoxLayout(self), self.record, self.connect_, row, margins=(0, 0, 0, 0))
        session.state_changed.connect(self._state_changed)
        session.status.connect(self._told)
        self._state_changed(session.state)

    @property
    def hold_s(self) -> float:
        """Seconds to keep while only watching."""
        return 60.0 * self.minutes.value()

    @property
    def word(self) -> str:
        """What `record` does when pressed."""
        state, records = self._session.state, self._session.records
        if self._begin_sent:
            return tr("Starting …")
        if state == "finishing":
            return tr("Saving …") if records else tr("Disconnecting …")
        if state == "recording":
            return tr("Stop and save")
        return tr("Cancel") if state == "connecting" and records else tr("Start recording")

    def _state_changed(self, state: State) -> None:
        if state in ("idle", "recording", "finishing"):
            self._begin_sent = False
        watching = state in ("connecting", "watching") and not self._session.records
        self.connect_.setText(
            tr("Disconnect  Ctrl+E") if watching else tr("Connect and watch  Ctrl+E")
        )
        self.record.setVisible(not self._session.records or state in ("idle", "connecting"))
        self.connect_.setVisible(watching or state == "idle")
        self.include.setVisible(watching or state == "idle")
        self.minutes.setVisible(state == "idle")
        self._name_include(None)
        self._show_word()

    def begin_sent(self, sent: bool) -> None:
        """The order to begin is on its way, or was refused."""
        self._begin_sent = sent
        self._show_word()

    def _told(self, status: Status) -> None:
        """How much could be included now."""
        if status.held_s is not None:
            self._name_include(status.held_s)

    def _show_word(self) -> None:
        quiet = self._begin_sent or self._session.state == "finishing"
        self.record.setText(self.word if quiet else tr("{word}  Ctrl+R", word=self.word))
        self.record.setEnabled(not quiet)

    def _name_include(self, held_s: float | None) -> None:
        if held_s is not None:
            text = tr("Include the last {time}", time=time_text(held_s))
        elif self._session.state == "idle":  # the minutes stand beside it
            text = tr("Include the last")
        else:
            text = tr("Include the minutes before")
        self.include.setText(text)
        self.include.setEnabled(self.minutes.value() > 0)

    def _include_chosen(self, on: bool) -> None:
        self._settings.include_held = on

    def _minutes_chosen(self, value: int) -> None:
        self._settings.held_min = value
        self._name_include(None)
