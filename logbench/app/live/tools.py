"""Above the live strips: the row of buttons, and the line for a marker's note."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QMargins, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QComboBox,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QWidget,
)

from logbench.app.flow import Flow
from logbench.app.parts import lay, named, text_button
from logbench.app.plain import Choice, Label
from logbench.signals.numbers import time_text
from logbench.words import tr

WIDTHS_S = (15, 30, 60, 120, 300, 600, 1800)
_USE_SPACE = (QAbstractButton, QAbstractItemView, QComboBox)
_LONGEST = 200


def keeps_space(event: QEvent) -> bool:
    """Whether a key about to be taken as a shortcut is the space bar of a widget that uses it."""
    if not isinstance(event, QKeyEvent) or event.key() != Qt.Key.Key_Space or event.modifiers():
        return False
    return isinstance(QApplication.focusWidget(), _USE_SPACE)


class LiveTools(Flow):
    """Marker, freeze, width of the window, and what fills the middle."""

    def __init__(self, window_s: float) -> None:
        super().__init__(QMargins(6, 8, 12, 4))
        self.marker = self._button(tr("Marker  Space"), tr("Put a marker"))
        self.note = self._button(tr("Note  N"), tr("Put a marker with a note"))
        self.freeze = self._button(
            tr("Freeze  F"), tr("Freeze the strips; the recording goes on"), checkable=True
        )
        self.width_box = named(Choice(), tr("Width of the time window"))
        for seconds in WIDTHS_S:
            unit = f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"
            self.width_box.addItem(tr("Window {unit}", unit=unit), seconds)
        near = min(WIDTHS_S, key=lambda s: abs(s - window_s))
        self.width_box.setCurrentIndex(WIDTHS_S.index(near))
        self._take(self.width_box)
        self.plan = self._button(
            tr("Plan  P"), tr("Drive plan instead of the strips"), checkable=True
        )
        self.wiggle = self._button(
            tr("Wiggle test  G"), tr("Wiggle test instead of the strips"), checkable=True
        )
        self.driver = self._button(
            tr("Driver's view  D"), tr("Driver's view: a few values, full screen")
        )
        self.passenger = self._button(
            tr("A passenger operates this  Shift+D"),
            tr("A passenger operates this: steps are asked for under way, until this drive ends"),
            checkable=True,
        )
        self.end_wiggle = self._button("", tr("Stop the wiggle test"), checkable=True)
        self.end_wiggle.setToolTip(tr("The wiggle test goes on whatever is shown; this ends it"))
        self.end_wiggle.hide()

    def _button(self, text: str, name: str, *, checkable: bool = False) -> QPushButton:
        """One more; checked, its colour says that something runs or is shown."""
        button = named(QPushButton(text), name)
        button.setCheckable(checkable)
        self._take(button)
        return button

    def _take(self, widget: QWidget) -> None:
        widget.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a click leaves the space bar alone
        self.add(widget)

    def show_wiggle(self, said: str) -> None:
        """How the wiggle test stands, wherever the user looks; empty: it does not run."""
        self.end_wiggle.setText(tr("{said}: stop  Shift+G", said=said))
        self.end_wiggle.setChecked(True)
        self.end_wiggle.setVisible(bool(said))

    def show_shape(self, shape: str) -> None:
        """What fills the middle now."""
        self.plan.setChecked(shape == "plan")
        self.wiggle.setChecked(shape == "wiggle")

    def show_following(self, following: bool) -> None:
        """Whether the strips follow the newest samples or stand still."""
        self.freeze.setChecked(not following)
        self.freeze.setText(tr("Freeze  F") if following else tr("Frozen: follow  F"))


class MarkerNote(QFrame):
    """Hidden until it asks; Enter puts the marker, Esc leaves without one."""

    given = Signal(str, object)
    """The note and the time in ns."""
    left = Signal()

    def __init__(self, now_ns: Callable[[], int]) -> None:
        super().__init__()
        self._now_ns = now_ns
        self.setObjectName("bar")
        self.t_ns = 0
        self._title = Label()
        self.text = named(QLineEdit(maxLength=_LONGEST), tr("Note for the marker"))
        self.text.setPlaceholderText(tr("What happened"))
        self.text.returnPressed.connect(self._give)
        put = text_button(tr("Put the marker"), self._give)
        leave = text_button(tr("Leave  Esc"), self._leave)
        lay(QHBoxLayout(self), self._title, (self.text, 1), put, leave, margins=(12, 4, 12, 4))
        self.hide()

    def ask_now(self) -> None:
        """For a marker at this instant."""
        self.t_ns = self._now_ns()
        self._title.setText(tr("Marker at {time}", time=time_text(self.t_ns / 1e9)))
        self.text.clear()
        self.show()
        self.text.setFocus()

    def shift(self, by_ns: int) -> None:
        """Times to come count from `by_ns` on the clock used so far."""
        self.t_ns = max(0, self.t_ns - by_ns)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Esc leaves."""
        if event.key() == Qt.Key.Key_Escape:
            self._leave()
        else:
            super().keyPressEvent(event)

    def _give(self) -> None:
        text = " ".join(self.text.text().split())
        self._leave()
        self.given.emit(text, self.t_ns)

    def _leave(self) -> None:
        self.hide()
        self.left.emit()
