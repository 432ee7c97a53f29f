"""The side of the Live page: what is settled before a drive; then values, or other signals."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.live.picker import DEFAULT
from logbench.app.live.record_box import RecordBox
from logbench.app.live.session import LiveSession, State
from logbench.app.live.setup import SetUp
from logbench.app.live.values import ValuesTable
from logbench.app.notice import Notice
from logbench.app.parts import lay, named, text_button
from logbench.app.remarks import RemarkList
from logbench.app.scrolling import UpAndDown
from logbench.words import tr

_LEAST_WIDTH = 320


class Side(QFrame):
    """While there is a link, its signals can be chosen anew without letting go of it."""

    def __init__(
        self,
        session: LiveSession,
        box: RecordBox,
        set_up: SetUp,
        values: ValuesTable,
        remarks: RemarkList,
        notice: Notice,
    ) -> None:
        super().__init__()
        self._session, self._set_up = session, set_up
        self.tabs = named(QTabWidget(documentMode=True), tr("Values and notes"))
        self.tabs.addTab(values, tr("Values"))
        self.tabs.addTab(remarks, tr("Notes"))
        self._before: tuple[tuple[str, ...], str, int] = ((), "", 0)
        """Signals, purpose and place of the rate, before others are chosen."""
        self.change = text_button(
            tr("Other signals …  S"),
            self.show_choice,
            tip=tr("Ask the car for other signals; link and recording go on"),
        )
        self.change.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.use = text_button(tr("Ask for these signals"), self.use_choice)
        self.back = text_button(tr("Back  Esc"), self.leave_choice)
        self._lay_out(box)
        session.state_changed.connect(self._state_changed)
        session.not_chosen.connect(notice.trouble)

    def _lay_out(self, box: RecordBox) -> None:
        self._scroll = UpAndDown(self._set_up)
        self._buttons = QWidget()
        lay(QHBoxLayout(self._buttons), (self.use, 1), self.back, margins=(0, 0, 0, 0))
        self._buttons.hide()
        self._stack = QStackedWidget()
        for widgets in ((self._buttons, self._scroll), (self.change, self.tabs)):
            page = QWidget()
            lay(QVBoxLayout(page), *widgets, margins=(0, 0, 0, 0))
            self._stack.addWidget(page)
        lay(QVBoxLayout(self), box, (self._stack, 1), margins=(12, 12, 6, 12))

    def minimumSizeHint(self) -> QSize:
        """As wide as its texts need."""
        least = super().minimumSizeHint()
        return QSize(max(_LEAST_WIDTH, least.width()), least.height())

    @property
    def choosing(self) -> bool:
        """Other signals are being chosen for the link there is."""
        return not self._buttons.isHidden()

    def show_choice(self) -> None:
        """Let signals be chosen: before a drive where they stand anyway, else beside it."""
        picker, rate = self._set_up.picker, self._set_up.rate
        if self._session.state in ("connecting", "finishing"):
            return  # hidden: the keys would go where nobody sees them
        if self._session.active and not self.choosing:
            self._before = picker.chosen(), picker.purpose.currentData(), rate.currentIndex()
            self._show(choosing=True)
            if picker.purpose.currentData() == DEFAULT:  # begin with what is asked for now
                picker.choose(self._session.asked)
        self._scroll.ensureWidgetVisible(picker.search)
        picker.search.setFocus()

    def use_choice(self) -> None:
        """Ask for what is chosen now."""
        if self.choosing:
            self._session.choose(self._set_up.picker.chosen(), self._set_up.rates_hz())
            self._set_up.remember_signals()
            self._show(choosing=False)

    def leave_choice(self) -> None:
        """Leave the signals as they were."""
        if self.choosing:
            signals, purpose, rate = self._before
            self._set_up.picker.choose(signals, purpose)
            self._set_up.rate.setCurrentIndex(rate)
            self._show(choosing=False)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc leaves the choice."""
        if event.key() == Qt.Key.Key_Escape and self.choosing:
            self.leave_choice()
        else:
            super().keyPressEvent(event)

    def _state_changed(self, state: State) -> None:
        if state == "idle":
            self._show(choosing=False)
        self._stack.setCurrentIndex(0 if state == "idle" or self.choosing else 1)
        self.change.setEnabled(state in ("watching", "recording"))

    def _show(self, *, choosing: bool) -> None:
        idle = self._session.state == "idle"
        focused = self.isAncestorOf(self.window().focusWidget() or self)
        self._buttons.setVisible(choosing)
        self._set_up.show_all(not choosing)
        self._stack.setCurrentIndex(0 if choosing or idle else 1)
        if focused and not choosing and not idle:
            self.tabs.currentWidget().setFocus()
